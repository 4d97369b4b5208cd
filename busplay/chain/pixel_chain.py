"""The links of the chain from a pixel's colour to the edges on the wires, one after another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from busplay.chain.captured import captured_frame, doubts_about
from busplay.chain.frames import frame_on_wires
from busplay.chain.loss import (
    FrameLost,
    Pairing,
    foreign_behind,
    lost_besides_the_byte,
    lost_in_recording,
    lost_on_the_way,
    require_same_units,
)
from busplay.chain.program import LostAtSender, ProgramFiles, RecordedProgram, program_of
from busplay.chain.recording_times import RecordingTimes
from busplay.chain.report import (
    CapturedFrame,
    ColourShown,
    FrameOnWires,
    PaletteEntry,
    PictureRegisters,
    PixelAgainst,
    PixelAsked,
    PixelByte,
    PixelReport,
    StoreForeign,
    StoreFound,
    StoreLost,
    TextCell,
)
from busplay.chain.sender_loss import RegistersLost, addresses_of, frames_searched
from busplay.conversion.decode import DecodedCapture
from busplay.description.full_address import address_of, page_of
from busplay.errors import InputError
from busplay.formats.capture import ReadOptions
from busplay.history.as_sent import SentHistory
from busplay.history.frame_stores import FrameStore
from busplay.history.history import History, open_history
from busplay.history.index_losses import frames_missed
from busplay.history.pixel import PixelCauses
from busplay.history.places import Write, unit_asked, unit_named
from busplay.link.layout import FrameLayout
from busplay.losses.losses import CAUSE_WORDS, Cause
from busplay.program.labels import NearestLabels
from busplay.trace.reader import TraceReader
from busplay.units import PS_PER_S
from busplay.wording import counted

Progress = Callable[[int, int], object]


class PixelChain:
    """Makes the links of the chain, one after another.

    Args:
        reader: the trace.
        decoded: the capture that it was decoded from, or None.
        files: the recorded program's.
        progress: called now and then with (done, total).
    """

    def __init__(
        self,
        reader: TraceReader,
        decoded: DecodedCapture | None,
        files: ProgramFiles,
        progress: Progress,
    ) -> None:
        self._reader = reader
        self._decoded = decoded
        self._progress = progress
        self._history = open_history(
            reader, on_frames=lambda done: progress(done, max(1, reader.frames))
        )
        self._times = RecordingTimes(self._history, decoded)
        board = self._history.board
        self._layout = FrameLayout(board.link)
        self._files = files
        self._program: RecordedProgram | None = None
        self._stores: dict[int, FrameStore] = {}
        self._notes: list[str] = []
        if decoded is not None:
            self._notes += doubts_about(decoded.health)
        elif not reader.complete:
            self._notes.append(f"the trace is cut: {reader.cut_reason}")
        self._other: History | None = None
        self._pairs: Pairing | None = None
        windows = [(one.first_address, one.last_address) for one in board.windows]
        self._windows = windows
        self._labels = NearestLabels(None)

    def report(
        self,
        file: Path,
        unit_name: str | None,
        pixel: tuple[int, int],
        at_ps: int | None,
        received: TraceReader | None,
        history: int,
        reading: ReadOptions,
    ) -> PixelReport:
        """Make the report."""
        described = unit_asked(self._history.board, unit_name, pixel, file=str(file))
        unit = described.name
        moment = self._times.moment_at(at_ps)
        causes = self._history.causes(unit, *pixel, moment, self._times.edge_at(at_ps))
        listed = self._history.list_writes(causes.place, moment, history)
        there = None if received is None else self._causes_there(received, causes, at_ps)
        sent_history = SentHistory(self._history)
        lost = self._find_loss(causes, sent_history, received)
        self._note_missed(causes)
        others = lost_besides_the_byte(sent_history, causes, self._times.edge_at(at_ps))
        if received is not None and there is not None:
            known = {write.frame for write, _ in others}
            lost_later = lost_on_the_way(self._history, causes, there, self._pairing(received))
            others += [one for one in lost_later if one[0].frame not in known]
        sent = None if lost is None else self._write_of(lost.frame, causes)
        lost_writes = [*([] if sent is None else [sent]), *(write for write, _ in others)]
        self._run_program(causes, [*listed, *lost_writes])
        loss = self._loss(lost, sent, received) or self._loss_at_sender(causes)
        other_losses = [self._loss(one, write, received) for write, one in others]
        other_losses += self._registers_lost_at_sender(causes)
        frame = None if causes.byte is None else self._frame(causes.byte)
        return PixelReport(
            file=file,
            pixel=PixelAsked(unit, *pixel, at_s=self._times.seconds_of(at_ps), frames=moment),
            colour=ColourShown(*causes.colour, index=causes.index, is_blank=causes.is_blank),
            palette=self._palette(causes),
            picture=PictureRegisters(
                causes.base_offset,
                self._store(causes.base),
                self._store(causes.base_low),
                self._store(causes.blank),
                self._store(causes.border),
                causes.page,
                self._store(causes.page_write),
            ),
            byte=PixelByte(
                unit,
                causes.offset,
                causes.value,
                7 if causes.cell else causes.shift + described.bits_per_pixel - 1,
                causes.shift,
                self._history.count_writes(causes.place, 0, moment),
            ),
            cell=self._cell(causes),
            store=self._store(causes.byte),
            frame=frame,
            capture=None if causes.byte is None else self._captured(causes.byte, reading),
            loss=loss,
            other_losses=tuple(one for one in other_losses if one is not None),
            against=(
                None
                if received is None or there is None
                else self._against(received, causes, there, {one.frame for one in lost_writes})
            ),
            history=tuple(one for one in map(self._store, listed) if one is not None),
            program=None if self._program is None else self._program.path,
            notes=tuple(self._notes),
        )

    def _cell(self, causes: PixelCauses) -> TextCell | None:
        cell = causes.cell
        if cell is None:
            return None
        character = bytes([causes.value]).decode("cp437")
        return TextCell(
            character=character if character.isprintable() else "",
            colours=cell.colours,
            colours_store=self._store(cell.colours_write),
            glyph_bits=cell.glyph_bits,
            glyph_store=self._store(cell.glyph_write),
            is_ink=cell.is_ink,
            is_cursor=cell.is_cursor,
            cursor_store=self._store(cell.cursor),
            cursor_shape_store=self._store(cell.cursor_shape),
        )

    def _note_missed(self, causes: PixelCauses) -> None:
        first = 0 if causes.byte is None else causes.byte.frame + 1
        missed = frames_missed(self._history, first, causes.before_frame)
        if missed:
            since = "" if causes.byte is None else " after that store"
            self._notes.append(
                f"by the sequence field, {counted(missed, 'frame')} did not arrive{since}: a later"
                " store to the byte may be among them"
            )

    # -- the program

    def _run_program(self, causes: PixelCauses, listed: list[Write]) -> None:
        """Find the stores of frames by a rerun of the program."""
        if self._decoded is not None:
            return
        path = program_of(self._reader, self._files.program)
        if path is None:
            self._notes.append(
                "the instructions are not known: no program with the recorded digest is beside"
                " the trace; give --program"
                if self._reader.header.program_sha256
                else "the instructions are not known: no program is recorded with the trace"
            )
            return
        frames = [one.frame for one in (*causes.writes, *listed)]
        given = self._files.program is not None
        try:
            program = RecordedProgram(
                self._history,
                path,
                load_address=self._files.load_address,
                labels=self._files.labels,
                dbgfile=self._files.dbgfile,
                progress=self._progress,
            )
        except InputError as error:
            named = (self._files.labels, self._files.dbgfile)
            if given or error.file in {str(one) for one in named if one is not None}:
                raise
            # Found by itself, so what it cannot tell is no reason to tell nothing.
            self._notes.append(f"the instructions are not known: {error}")
            return
        # In order, so that the program is run once.
        unknown: list[InputError] = []
        for frame in sorted(set(frames)):
            try:
                self._stores[frame] = program.store_of(frame)
            except InputError as error:
                unknown.append(error)
        if unknown:
            if given and not self._stores:
                raise unknown[0]
            which = "" if not self._stores else f" of {counted(len(unknown), 'store')}"
            self._notes.append(f"the instructions{which} are not known: {unknown[0]}")
            if not self._stores:
                return
        self._program = program
        banks = self._history.board.banks
        self._labels = NearestLabels(program.symbols.labels, self._windows, banks)

    # -- stores

    def _store(self, write: Write | None) -> StoreFound | None:
        if write is None:
            return None
        found = self._store_as_recorded(write)
        exact = self._stores.get(write.frame)
        if exact is None:
            return found
        label = self._labels.of_store(exact.address)
        address, page = address_of(exact.address), page_of(exact.address)
        return self._with_instruction(
            replace(
                found,
                cycle=exact.cycle,
                cycle_is_exact=True,
                address=address,
                page=page,
                address_label=label,
            )
        )

    def _store_as_recorded(self, write: Write) -> StoreFound:
        """Return a store as far as known from its frame."""
        return StoreFound(
            frame=write.frame,
            edge=write.edge,
            time_s=self._times.time_s(write.edge),
            cycle=write.cycle if self._decoded is None else None,
            cycle_is_exact=False,
            address=write.address,
            page=write.page,
            address_label=self._labels.of_store(write.full_address),
            data=write.data,
        )

    def _with_instruction(self, found: StoreFound) -> StoreFound:
        if self._program is None or not found.cycle_is_exact or found.cycle is None:
            return found
        made = self._program.instruction_at(found.cycle)
        return replace(
            found,
            program_counter=made.registers.pc,
            program_counter_page=made.page,
            label=made.label,
            file=made.file,
            line=made.line,
            registers=made.registers,
        )

    def _palette(self, causes: PixelCauses) -> PaletteEntry:
        made = causes.palette
        if made is None:
            return PaletteEntry(causes.index, None, None, None)
        return PaletteEntry(
            causes.index, self._store(made.blue), self._store(made.red), self._store(made.green)
        )

    def _write_of(self, frame: int, causes: PixelCauses) -> Write:
        """Return a frame as a write to the pixel's byte, whether or not it reached it."""
        return self._history.sent_write(frame, causes.place)

    # -- wires

    def _frame(self, write: Write) -> FrameOnWires:
        return frame_on_wires(
            self._layout,
            number=write.frame,
            edge=write.edge,
            time_s=self._times.time_s(write.edge),
            word=write.word,
        )

    def _captured(self, write: Write, reading: ReadOptions) -> CapturedFrame | None:
        decoded = self._decoded
        if decoded is None:
            return None
        assert decoded.sampling is not None
        found = captured_frame(
            decoded.health.file,
            self._layout,
            decoded.sampling,
            write.word,
            self._times.time_ps(write.edge),
            **reading,
        )
        if found is None:
            self._notes.append("the frame's edges were not found again in the capture")
        return found

    # -- losses

    def _causes_there(
        self, received: TraceReader, causes: PixelCauses, at_ps: int | None
    ) -> PixelCauses:
        """Return the causes of the pixel's colour in the other recording."""
        other = self._received(received)
        moment, edge = other.frames, None
        if at_ps is not None:
            cycle = at_ps * other.board.clock_hz // PS_PER_S
            moment, edge = other.frame_at_cycle(cycle), other.start_edge(cycle)
        return other.causes(causes.unit, causes.x, causes.y, moment, edge)

    def _against(
        self,
        received: TraceReader,
        causes: PixelCauses,
        there: PixelCauses,
        known: set[int],
    ) -> PixelAgainst:
        """Return the pixel in the other recording; `known`: frames sent that are losses."""
        pairing = self._pairing(received)
        foreign = foreign_behind(self._received(received), causes, there, pairing)
        origin, sent, byte = None, None, there.byte
        if byte is not None:
            origin, sent = pairing.origin_of(byte.frame)
        return PixelAgainst(
            received.path,
            ColourShown(*there.colour, index=there.index, is_blank=there.is_blank),
            there.value,
            # The frame numbers are of the other recording, whose stores are not known.
            None if byte is None else self._store_as_recorded(byte),
            origin,
            self._frame_sent(sent, causes),
            tuple(
                StoreForeign(
                    write.register,
                    self._store_as_recorded(write),
                    origin,
                    self._frame_sent(frame, causes),
                )
                for write, origin, frame in foreign
                if frame not in known
            ),
        )

    def _frame_sent(self, number: int | None, causes: PixelCauses) -> FrameOnWires | None:
        return None if number is None else self._frame(self._write_of(number, causes))

    def _received(self, received: TraceReader) -> History:
        if self._other is None:
            self._other = open_history(received)
            require_same_units(self._history, self._other)
        return self._other

    def _find_loss(
        self, causes: PixelCauses, sent: SentHistory, received: TraceReader | None
    ) -> FrameLost | None:
        """Return the last store to the byte if it was not received as sent."""
        history = self._history
        lost = lost_in_recording(history, sent, causes.place, causes.before_frame)
        if lost is not None or received is None or causes.byte is None:
            return lost
        pairing = self._pairing(received)
        if pairing.is_behind_the_end(causes.byte.edge):
            end_s = received.header.cycles_at(received.stop_edge) / history.board.clock_hz
            self._notes.append(
                f"{received.path} ends at {end_s:.6f} s, before the last store to the byte: whether"
                " that arrived is not known"
            )
            return None
        return pairing.fate_of(causes.byte.frame)

    def _pairing(self, received: TraceReader) -> Pairing:
        if self._pairs is None:
            self._pairs = Pairing(self._reader, received, self._progress)
        return self._pairs

    def _loss(
        self, lost: FrameLost | None, sent: Write | None, received: TraceReader | None
    ) -> StoreLost | None:
        if lost is None or sent is None:
            return None
        store = self._store(sent)
        assert store is not None
        came = None
        if lost.came is not None and received is not None:
            number, edge = lost.came
            other = self._received(received)
            layout = FrameLayout(received.header.link)
            word = other.word_of_frame(number)
            came = frame_on_wires(
                layout, number=number, edge=edge, time_s=self._times.time_s(edge), word=word
            )
        return StoreLost(
            register=sent.register,
            state="damaged" if came is not None else "late" if lost.is_late else "lost",
            place="receiver" if lost.at_receiver else "wire",
            causes=lost.causes,
            sent=store,
            sent_frame=self._frame(sent),
            came=came,
        )

    def _loss_at_sender(self, causes: PixelCauses) -> StoreLost | None:
        """Return the last store to the byte lost at the sender after the last one sent."""
        program, byte = self._program, causes.byte
        made = None if byte is None else self._stores.get(byte.frame)
        if program is None or (byte is not None and made is None):
            return None
        after_cycle = -1 if made is None else made.cycle
        found = program.lost(
            addresses_of(self._history.board, causes.place),
            first_frame=0 if byte is None else byte.frame,
            stop_frame=causes.before_frame,
        )
        lost = next(found, None)
        return None if lost is None or lost.cycle <= after_cycle else self._never_sent(lost, None)

    def _registers_lost_at_sender(self, causes: PixelCauses) -> list[StoreLost]:
        """Return the stores to registers behind the colour that were lost at the sender."""
        history, moment = self._history, causes.before_frame
        searched = frames_searched(history, moment)
        if searched is None or self._decoded is not None:
            return []
        if self._program is None:
            self._notes.append(
                "stores were lost at the sender FIFO by then; whether one to this pixel or its"
                " registers is among them is found with the program only (--program)"
            )
            return []
        if not searched.are_all:
            self._notes.append(
                "stores to registers that were lost at the sender FIFO were searched for from"
                f" frame {searched.first_frame:,} on"
            )
        lost = RegistersLost(
            self._program,
            history,
            unit_named(history.board, causes.unit),
            first_frame=searched.first_frame,
            stop_frame=moment,
        ).behind(causes, {frame: one.cycle for frame, one in self._stores.items()})
        return [self._never_sent(one, register) for register, one in lost]

    def _never_sent(self, lost: LostAtSender, register: str | None) -> StoreLost:
        assert self._program is not None
        full = self._program.full_address_at(lost.cycle)
        store = StoreFound(
            frame=None,
            edge=lost.edge,
            time_s=self._times.time_s(lost.edge),
            cycle=lost.cycle,
            cycle_is_exact=True,
            address=address_of(full),
            page=page_of(full),
            address_label=self._labels.of_store(full),
            data=lost.data,
        )
        return StoreLost(
            register=register,
            state="lost",
            place="sender",
            causes=(CAUSE_WORDS[Cause.SENDER_FIFO],),
            sent=self._with_instruction(store),
            sent_frame=None,
            came=None,
        )
