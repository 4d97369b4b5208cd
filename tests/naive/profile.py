"""A profile counted an instruction at a time, from the words of its figures alone."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from busplay.core.interface import Core
from busplay.description.board import Board


@dataclass
class NaiveProfile:
    """Counts by address, and by routine with its callers.

    Attributes:
        inclusive: cycles by routine, with what it calls, interrupts apart.
        bursts: (first cycle, stores, most frames waiting, address of the first's instruction) of
            those of more than one store.
        calls: by (caller, callee); the caller of an interrupt is -1.
        entries: the same without a call; the caller of what nothing called is None.
    """

    cycles: Counter[int] = field(default_factory=Counter)
    stores: Counter[int] = field(default_factory=Counter)
    unchanged: Counter[int] = field(default_factory=Counter)
    over: Counter[int] = field(default_factory=Counter)
    inclusive: Counter[int] = field(default_factory=Counter)
    calls: Counter[tuple[int, int]] = field(default_factory=Counter)
    entries: Counter[tuple[int | None, int]] = field(default_factory=Counter)
    refresh_stores: Counter[int] = field(default_factory=Counter)
    bursts: list[tuple[int, int, int, int]] = field(default_factory=list)
    waiting: int = 0
    interrupts: int = 0
    interrupt_cycles: int = 0


def profile_by_steps(
    core: Core, board: Board, stop_cycle: int, starts: list[int], *, first_cycle: int = 0
) -> NaiveProfile:
    """Run a core to a cycle, one step at a time, and count."""
    found = NaiveProfile()
    # Frames: [stack pointer before the call, routine, whether an interrupt is below].
    frames: list[list[int]] = []
    shown: dict[int, tuple[int, int, int]] = {}  # byte, refresh, instruction
    memory_of = {
        address: window.space == "memory"
        for window in board.windows
        for address in range(window.first_address, window.last_address + 1)
    }
    refresh_hz = board.host_port.refresh_hz if board.host_port else 60

    def routine(address: int) -> int:
        return max(start for start in starts if start <= address)

    def refresh_of(cycle: int) -> int:
        number = 0
        while (number + 1) * board.clock_hz // refresh_hz <= cycle:
            number += 1
        return number

    def enter(number: int) -> None:
        caller = None if not number else -1 if frames[number][2] else frames[number - 1][1]
        found.entries[caller, frames[number][1]] += 1

    wai_at = called = None
    has_begun = False
    sent: list[tuple[int, int]] = []
    while core.cycle < stop_cycle and core.stop is None:
        place, s, began = core.pc, core.s, core.cycle
        taken = core.counters.interrupts_taken
        opcode = int(core.memory[place])
        took = core.step()
        counts = began >= first_cycle
        was_interrupt = core.counters.interrupts_taken > taken
        was_wait = wai_at is not None and took == 1 and not was_interrupt and core.pc == place
        if was_interrupt:
            place = core.pc
        elif was_wait:
            assert wai_at is not None
            place = wai_at
        if not was_wait:
            wai_at = place if opcode == 0xCB and not was_interrupt else None
        if counts and not has_begun:
            has_begun = True
            for number in range(len(frames) - (called is not None)):
                enter(number)
        if called is not None and counts:
            found.calls[called] += 1
        if not frames:
            frames.append([256, routine(place), 0])
            if counts:
                enter(0)
        if was_interrupt:
            frames.append([s, routine(place), 1])
            found.interrupts += counts
            found.calls[-1, routine(place)] += counts
        if frames[-1][1] != routine(place):
            frames[-1][1] = routine(place)
            if counts:
                enter(len(frames) - 1)
        if counts:
            found.cycles[place] += took
            found.waiting += took if was_wait else 0
            above = frames
            bottom = max((n for n, frame in enumerate(above) if frame[2]), default=0)
            found.interrupt_cycles += took if above[bottom][2] else 0
            for one in {frame[1] for frame in above[bottom:]}:
                found.inclusive[one] += took
        batch = core.take_stores()
        for cycle, address, byte in zip(
            batch.cycle.tolist(), batch.address.tolist(), batch.data.tolist(), strict=True
        ):
            before = shown.get(address, (0, -1, 0))
            now = refresh_of(cycle)
            if counts:
                found.stores[place] += 1
                sent.append((cycle, place))
                found.refresh_stores[now] += 1
                found.unchanged[place] += memory_of[address] and before[0] == byte
                found.over[before[2]] += memory_of[address] and before[1] == now
            shown[address] = byte, now, place
        called = None
        if was_interrupt or was_wait:
            continue
        if opcode in (0x20, 0x00):
            while frames[-1][0] <= s:
                frames.pop()
            called = frames[-1][1], routine(core.pc)
            frames.append([s, routine(core.pc), 0])
        elif opcode in (0x60, 0x40):
            s = (s + (2 if opcode == 0x60 else 3)) & 0xFF
            while frames[-1][0] <= s:
                frames.pop()
    found.bursts = _bursts(sent)
    return found


def _bursts(sent: list[tuple[int, int]]) -> list[tuple[int, int, int, int]]:
    """Go through the queue of a link with two edges a cycle and slots of 8 on a grid of 8."""
    bursts: list[list[int]] = []
    gone: list[int] = []
    for cycle, place in sent:
        arrival = 8 * -(-2 * (cycle + 1) // 8)
        waiting = sum(edge > arrival for edge in gone) + 1
        if waiting == 1:
            bursts.append([cycle, 0, 0, place])
        gone = [edge for edge in gone if edge > arrival]
        gone.append(max([arrival, *gone]) + 8)
        bursts[-1][1] += 1
        bursts[-1][2] = max(bursts[-1][2], waiting)
    return [(one[0], one[1], one[2], one[3]) for one in bursts if one[1] > 1]
