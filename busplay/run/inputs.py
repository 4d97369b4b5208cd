"""What reaches a running program from outside; repeated, it repeats the run."""

from __future__ import annotations

from dataclasses import dataclass

from busplay.trace.reader import TraceReader


@dataclass(frozen=True, slots=True)
class RunInputs:
    """The inputs of a run, each kind in order of its cycles.

    Attributes:
        key_presses: (cycle, code) of keys pressed.
        resets: cycles at which the reset button was pressed.
    """

    key_presses: tuple[tuple[int, int], ...] = ()
    resets: tuple[int, ...] = ()

    @classmethod
    def of_trace(cls, reader: TraceReader) -> RunInputs:
        """Return the inputs of a recorded run.

        Raises:
            InputError: a chunk of them is damaged.
        """
        presses = tuple((press.cycle, press.code) for press in reader.key_presses())
        return cls(presses, reader.resets())


NO_INPUTS = RunInputs()
