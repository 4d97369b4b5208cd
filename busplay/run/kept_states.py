"""States of the processor that a recording keeps, so that a rerun need not begin at the reset."""

from __future__ import annotations

from busplay.core.host_port import NEVER
from busplay.core.interface import Core
from busplay.core.rewind import RewindableCore
from busplay.core.saved_devices import NotPlainError
from busplay.core.saved_state import pack_core
from busplay.description.board import Board
from busplay.run.recording import Recorder

# Cycles between the states: a rerun takes a tenth of a second from the one before.
STATE_CYCLES = 1 << 26
STATE_RETRY_CYCLES = 1 << 16


class StateKeeper:
    """Records a core's state every so often.

    Where the states are depends on the run alone, not on how it is cut in pieces: each is at the
    first instruction from a multiple of `STATE_CYCLES` on, or later if the processor waits then.

    Args:
        core: of the run.
        board: the core's.
        recorder: the traces.
    """

    def __init__(self, core: Core, board: Board, recorder: Recorder) -> None:
        self._core: RewindableCore | None = None
        # The pages of banks are too much; their reruns begin at the start.
        if recorder.keeps_states and isinstance(core, RewindableCore) and not board.banks:
            self._core = core
        self._recorder = recorder
        self._next_cycle = STATE_CYCLES

    @property
    def due_cycle(self) -> int:
        """Cycle at which the next one is due, or `NEVER`."""
        return NEVER if self._core is None else self._next_cycle

    def keep_if_due(self) -> None:
        """Record the present state if it is due."""
        core = self._core
        if core is None or core.cycle < self._next_cycle:
            return
        try:
            state = pack_core(core)
        except NotPlainError:
            # A device of somebody's own; its reruns begin at the start too.
            self._core = None
            return
        if state is None:
            # It waits; a little later it may not.
            self._next_cycle += STATE_RETRY_CYCLES
        else:
            self._recorder.keep_state(core.cycle, state)
            self._next_cycle = (core.cycle // STATE_CYCLES + 1) * STATE_CYCLES
