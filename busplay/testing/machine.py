"""A session with assertions: what a test drives, and what its screens must show.

Figures of a run that has happened (its profile, its losses under faults, the store behind a pixel)
come from a rerun: same board, same program, same keys, same frames. So a test that passes pays for
nothing but its run.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from busplay.analysis.compare.compare import compare
from busplay.analysis.flash_watch import flash_report
from busplay.analysis.profile.profile import profile_run
from busplay.analysis.profile.report import ProfileReport
from busplay.chain.text import chain_text, verdict_text
from busplay.chain.why import why
from busplay.description.board import Board, ImageFormat
from busplay.description.faults import Faults
from busplay.description.full_address import address_text, full_address
from busplay.description.read_faults import as_faults
from busplay.errors import BusplayError
from busplay.losses.lost_stores import LossNames
from busplay.program.symbols import find_symbols
from busplay.run.session import Session
from busplay.testing.pictures import ExpectedPictures, Image
from busplay.wording import counted

STILL_REFRESHES = 3
# A test that waits for ever tells nobody anything.
LIMIT_S = 10


class MachineUnderTest(Session):
    """A session whose runs end, with screens and assertions.

    A run that the processor ends other than by the exit register fails, and a run until a condition
    fails after 10 s of the board's time.

    Args:
        board, program, load_address, program_format, core, faults: as for `Session`.
        labels: the path of the program's labels.
        pictures: the expected ones.
    """

    def __init__(
        self,
        board: Board | str | Path,
        *,
        pictures: ExpectedPictures,
        program: str | Path | None = None,
        load_address: int | None = None,
        program_format: ImageFormat = "auto",
        core: str = "compiled",
        labels: str | Path | None = None,
        faults: Faults | str | Path | None = None,
    ) -> None:
        super().__init__(
            board,
            program=program,
            load_address=load_address,
            program_format=program_format,
            core=core,
            labels=labels,
            faults=faults,
        )
        self.pictures = pictures
        self._format: ImageFormat = program_format
        self._labels_file = None if labels is None else Path(labels)

    # -- runs

    def run(self, cycles: int) -> int:
        """Run as `Session.run` does.

        Raises:
            CoreStoppedError: the processor stopped, other than by the exit register.
        """
        done = super().run(cycles)
        if self.stop is not None and self.stop.kind != "exit":
            raise self.stop.as_error()
        return done

    def run_refreshes(self, count: int = 1) -> int:
        """Run to the COUNT-th next refresh; return the cycles run.

        Raises:
            CoreStoppedError: as for `run`.
        """
        hz = self.board.refresh_hz
        number = self.cycle * hz // self.clock_hz + count
        return self.run(max(0, -(-number * self.clock_hz // hz) - self.cycle))

    def run_until_still(
        self, refreshes: int = STILL_REFRESHES, *, within_cycles: int | None = None
    ) -> int:
        """Run until the screens stand still, or the program exits; return the cycles run.

        They stand still when no byte of a unit's memory, palette or registers is another one at
        so many refreshes than at the refresh before.

        Raises:
            CoreStoppedError: as for `run`.
            NotReachedError: they did not within so many cycles; None: 10 s of the board's time.
            ValueError: `refreshes` is less than 1.
        """
        if refreshes < 1:
            raise ValueError(f"refreshes is {refreshes}; 1 is the least")
        first_cycle, limit = self.cycle, self._limit(within_cycles)
        self.run_refreshes()
        shown, still = self._shown(), 0
        while still < refreshes and not self.ended:
            if self.cycle - first_cycle >= limit:
                raise self._not_reached("a picture that stands still", first_cycle)
            self.run_refreshes()
            before, shown = shown, self._shown()
            still = still + 1 if shown == before else 0
        return self.cycle - first_cycle

    def _limit(self, within_cycles: int | None) -> int:
        return LIMIT_S * self.clock_hz if within_cycles is None else within_cycles

    def _shown(self) -> list[object]:
        return [
            (
                one.memory.tobytes(),
                one.palette.tobytes(),
                one.shown_registers,
            )
            for one in self.displays.values()
        ]

    def press(self, code: int | str) -> None:
        """Press a key, by its code or its character; the characters of a text one after another.

        Raises:
            ValueError: the board has nothing that takes keys, or a code is not 1 to 255.
        """
        if not self.takes_keys:
            raise ValueError("the board has no host port, so no program hears a key")
        for one in [code] if isinstance(code, int) else map(ord, code):
            super().press(one)

    # -- screens

    def screen(self, unit: str | None = None) -> ScreenUnderTest:
        """Return the screen of a unit; None: of the board's first.

        Raises:
            KeyError: the board has no such unit.
        """
        name = self.board.units[0].name if unit is None else unit
        return ScreenUnderTest(self, self.board.unit_named(name).name)

    def explain(self, unit: str, x: int, y: int) -> str:
        """Return why a pixel has its colour: store, cycle, label and source line (`busplay why`).

        Under faults it is the store that was sent, and what became of it.
        """
        faults = self.pipeline.faults
        with TemporaryDirectory() as folder:
            sent = Path(folder, "sent.trace")
            received = Path(folder, "received.trace") if faults else None
            try:
                with self._rerun(faults, record=sent, record_received=received):
                    pass
                found = why(
                    sent,
                    unit=unit,
                    pixel=(x, y),
                    against=received,
                    program=self.start.path,
                    load_address=self.start.load_address,
                    labels=self._labels_file,
                )
            except BusplayError as error:
                return f"its store is not known: {error}"
        if found.against is not None:
            # The recording is gone when somebody reads this.
            found = replace(found, against=replace(found.against, file=Path("what was received")))
        return f"{verdict_text(found)}\n{chain_text(found, wires=False)}"

    def _rerun(
        self,
        faults: Faults | None,
        *,
        record: Path | None = None,
        record_received: Path | None = None,
    ) -> Session:
        """Return a session that has done the same up to this cycle."""
        again = Session(
            self.board,
            program=self.start.path,
            load_address=self.start.load_address,
            program_format=self._format,
            core=self.start.core_kind,
            labels=self.labels,
            key_presses=self.key_presses,
            resets=self.resets,
            record=record,
            record_received=record_received,
            faults=faults,
        )
        again.run(self.cycle - again.cycle)
        return again

    # -- assertions

    def profile(self, first_cycle: int = 0) -> ProfileReport:
        """Return the profile of this run so far, from a cycle on.

        Raises:
            InputError: nothing has run since, or the core cannot be profiled.
        """
        return profile_run(
            self.start,
            first_cycle=first_cycle,
            stop_cycle=self.cycle,
            inputs=self.inputs,
            symbols=find_symbols(self.start.path, self._labels_file, self.board.banks),
        )

    def assert_link_use(self, at_most: float, *, first_cycle: int = 0) -> None:
        """Assert which share of the link's slots the stores took, 0 to 1.

        Args:
            at_most: the largest share that is right.
            first_cycle: count from this cycle of the run on.
        """
        __tracebackhide__ = True
        found = self.profile(first_cycle)
        if found.link_use_ratio > at_most:
            most = sorted(found.routines, key=lambda row: -row.stores)[:3]
            rows = ", ".join(f"{row.name} {row.link_use_ratio:.1%}" for row in most)
            raise AssertionError(
                f"the stores took {found.link_use_ratio:.1%} of the link, over {at_most:.1%},"
                f" in cycles {found.first_cycle:,} to {self.cycle:,}; most of it: {rows}"
            )

    def assert_routine_cycles(self, label: str, at_most: float, *, first_cycle: int = 0) -> None:
        """Assert the cycles of a routine: on average a call, with the routines that it calls.

        A label that stands in every page of a bank means the routines of all of them. Interrupts
        are not counted; calls that began before `first_cycle` are.

        Raises:
            InputError: the program has no such label.
        """
        __tracebackhide__ = True
        address = self.address_of(label)
        rows = [
            one
            for one in self.profile(first_cycle).routines
            if address in (one.address, full_address(one.address, one.page))
        ]
        calls = sum(one.calls for one in rows)
        if not calls:
            raise AssertionError(f"no JSR or interrupt went to {label}, {address_text(address)}")
        cycles = sum(one.cycles_with_callees for one in rows) / calls
        if cycles > at_most:
            raise AssertionError(
                f"{label} took {cycles:,.1f} cycles on average of"
                f" {counted(calls, 'call')}, over {at_most:,.1f}"
            )

    def assert_no_overruns(self) -> None:
        """Assert that both FIFOs had room for every frame, and that none was served late."""
        __tracebackhide__ = True
        frames = self.counters().accounts.frames
        if frames.lost_at_sender or frames.lost_at_receiver or frames.lost_late:
            raise AssertionError(_loss_text(self, frames.losses()))

    def assert_lost_stores(
        self, at_most: int, *, faults: Faults | str | Path | None = None
    ) -> None:
        """Assert how many stores of this run are not received intact.

        Args:
            at_most: the largest count that is right.
            faults: the same run is judged with these instead; None: with those of the machine.
        """
        __tracebackhide__ = True
        judged: Session = self
        if faults is not None:
            judged = self._rerun(as_faults(faults, self.board.link))
        frames = judged.counters().accounts.frames
        if frames.lost > at_most:
            raise AssertionError(
                f"{counted(frames.lost, 'store')} lost of {frames.stores:,}, over {at_most:,}\n"
                + _loss_text(judged, frames.losses())
            )

    def record(self, trace: str | Path) -> None:
        """Write the trace of this run so far.

        Raises:
            OutputError: it cannot be written.
        """
        with self._rerun(None, record=Path(trace)):
            pass

    def assert_sends(self, trace: str | Path, *, ignore_time: bool = False) -> None:
        """Assert that this run so far sends the same frames as a trace (`busplay compare`).

        Args:
            trace: the expected one, such as from `record`.
            ignore_time: frames may come earlier or later.
        """
        __tracebackhide__ = True
        with TemporaryDirectory() as folder:
            actual = Path(folder, "actual.trace")
            self.record(actual)
            assert_traces_equal(trace, actual, labels=self._labels_file, ignore_time=ignore_time)


class ScreenUnderTest:
    """The screen of one unit.

    Attributes:
        machine: that it belongs to.
        unit: its name.
    """

    def __init__(self, machine: MachineUnderTest, unit: str) -> None:
        self.machine = machine
        self.unit = unit

    def image(self) -> Image:
        """Return the picture as uint8[height_px, width_px, 3], without border."""
        return self.machine.display(self.unit).image()

    def assert_matches(self, name: str) -> None:
        """Assert that the screen equals the picture `pictures/NAME.png` beside the test.

        Raises:
            InputError: the picture cannot be read, or two tests write it differently.
            OutputError: `--busplay-update` cannot write it.
        """
        __tracebackhide__ = True
        wrong = self.machine.pictures.check(
            name, self.image(), lambda x, y: self.machine.explain(self.unit, x, y)
        )
        if wrong is not None:
            raise AssertionError(wrong)

    def assert_redraws(self, within_refreshes: int) -> None:
        """Run until the picture has changed, and then is the same at two refreshes running.

        Fails if the second of these comes after `within_refreshes`; or if the processor stops.
        """
        __tracebackhide__ = True
        begun = shown = self.image().tobytes()
        for _ in range(within_refreshes):
            self.machine.run_refreshes()
            before, shown = shown, self.image().tobytes()
            if shown == before and shown != begun:
                return
        what = "is still being drawn" if shown != begun else "has not changed"
        raise AssertionError(
            f"{self.unit} {what} after {within_refreshes:,} refreshes, in cycle"
            f" {self.machine.cycle:,}"
        )

    def assert_no_flashing(self, *, first_cycle: int = 0) -> None:
        """Assert that the run so far does not flash over the thresholds of WCAG 2.2.

        The picture at each refresh is judged, as in a film (`busplay guide formats`). It is no
        medical test.

        Raises:
            InputError: the run has not reached that cycle.
        """
        __tracebackhide__ = True
        machine = self.machine
        with TemporaryDirectory() as folder:
            sent = Path(folder, "sent.trace")
            machine.record(sent)
            faults = machine.pipeline.faults
            report = flash_report(sent, unit=self.unit, faults=faults, first_cycle=first_cycle)
        cautions = report.cautions()
        if cautions:
            raise AssertionError("\n".join((f"{self.unit} flashes:", *cautions)))


def assert_traces_equal(
    expected: str | Path,
    actual: str | Path,
    *,
    labels: str | Path | None = None,
    ignore_time: bool = False,
) -> None:
    """Assert that two traces have the same frames, at the same times unless these are ignored.

    Raises:
        InputError: as for `busplay.compare`.
    """
    __tracebackhide__ = True
    found = compare(expected, actual, labels=labels, ignore_time=ignore_time, list_most=1)
    if found.equal:
        return
    text = (
        f"of {counted(found.frames_expected, 'frame')} {found.frames_missing:,} missing,"
        f" {found.frames_changed:,} changed, {found.frames_added:,} added"
    )
    if found.frames_equal:
        text = "the same frames at other times; ignore_time=True accepts that"
    for one in found.differences:
        seen = one.expected or one.actual
        if seen is not None:
            where = ""
            if seen.address is not None:
                where = f", {address_text(seen.address, seen.page)} {seen.label or ''}"
            kind = one.kind.name.lower().replace("_", " ")
            text += f"\nfirst {kind}: frame {seen.index:,} in cycle {seen.cycle}{where}"
    raise AssertionError(text)


def _loss_text(session: Session, causes: dict[str, int]) -> str:
    """Return the losses by cause, and the first by name."""
    lines = [f"{count:,} {words}" for words, count in causes.items()]
    finder = session.store_pc_finder()
    names = LossNames(
        session.pipeline,
        labels=session.labels,
        find_counters=finder.find,
        by_cycle=finder.full_addresses,
    )
    for one in names.describe(session.pipeline.losses.first(1)):
        address = "an unknown address"
        if one.address is not None:
            address = address_text(one.address, one.page)
        label = f" ({one.address_label})" if one.address_label else ""
        made = ""
        if one.pc is not None:
            at = address_text(one.pc, one.pc_page)
            made = f", made at {at} {one.label or ''}".rstrip()
        lines.append(f"first: ${one.data:02X} to {address}{label} in cycle {one.cycle:,}{made}")
    return "\n".join(lines)
