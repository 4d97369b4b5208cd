from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from py65.devices import mpu65c02, mpu65org16, mpu6502
from py65.memory import ObservableMemory
from py65.monitor import Monitor

from busplay.core.instructions import INSTRUCTIONS, MODE_BYTES, Mode
from busplay.core.make import core_for_board, make_core
from busplay.core.py65_hook import hook_mpu
from busplay.core.store_buffer import StoreBuffer
from busplay.link.load import load_board
from busplay.program.loading import load_memory
from tests.core.programs import rows

ROMS = Path(__file__).parents[2] / "roms"


class Noted:
    """Takes stores and keeps them."""

    def __init__(self) -> None:
        self.rows: list[tuple[int, int, int]] = []

    @property
    def last_cycle(self) -> int:
        return self.rows[-1][0] if self.rows else 0

    def store(self, cycle: int, address: int, data: int) -> None:
        assert cycle >= self.last_cycle
        self.rows.append((cycle, address, data))


def mpu_with(code: str, *, mpu_class: type = mpu6502.MPU, memory: object = None) -> mpu6502.MPU:
    mpu = mpu_class(memory=memory)
    data = bytes.fromhex(code)
    mpu.memory[0x0200 : 0x0200 + len(data)] = list(data)
    mpu.pc = 0x0200
    return mpu


def test_program_runs_as_it_would_without_the_hook() -> None:
    code = "A205 9D0040 FE0040 48 200E02 CA D0F3 00 6860" * 2
    plain, hooked = mpu_with(code), mpu_with(code)
    noted = Noted()
    hook_mpu(hooked, noted)
    for _ in range(60):
        plain.step()
        hooked.step()
        assert repr(plain) == repr(hooked)
        assert plain.processorCycles == hooked.processorCycles
    assert list(plain.memory) == list(hooked.memory[0:0x10000])
    assert noted.rows


def test_owner_keeps_the_memory_object() -> None:
    memory = [0] * 65536
    mpu = mpu_with("A912 8D0040 EE0040", memory=memory)
    hook = hook_mpu(mpu, Noted())
    for _ in range(3):
        mpu.step()
    assert memory[0x4000] == 0x13
    assert len(mpu.memory) == 65536
    hook.detach()
    assert mpu.memory is memory
    assert "step" not in vars(mpu)


def test_callbacks_of_an_observable_memory_still_run_once() -> None:
    memory = ObservableMemory()
    calls: list[object] = []
    memory.subscribe_to_write([0x4000], lambda address, value: calls.append((address, value)))
    memory.subscribe_to_read([0x5000], lambda address: calls.append(address) or 7)
    mpu = mpu_with("AD0050 8D0040", memory=memory)
    noted = Noted()
    hook_mpu(mpu, noted)
    mpu.memory.subscribe_to_write([0x4000], lambda address, value: calls.append("late"))
    mpu.step()
    mpu.step()
    assert calls == [0x5000, (0x4000, 7), "late"]
    assert noted.rows == [(7, 0x4000, 7)]


def test_only_the_processor_s_own_writes_are_stores() -> None:
    mpu = mpu_with("8D0040")
    noted = Noted()
    hook_mpu(mpu, noted)
    mpu.memory[0x4000] = 1
    mpu.memory[0x4000:0x4004] = [1, 2, 3, 4]
    assert noted.rows == []
    mpu.step()
    assert noted.rows == [(3, 0x4000, 0)]


def test_interrupts_and_reset_take_their_seven_cycles() -> None:
    mpu = mpu_with("EA EA")
    mpu.p &= ~mpu.INTERRUPT
    noted = Noted()
    hook = hook_mpu(mpu, noted)
    mpu.step()
    mpu.irq()
    assert noted.rows == [(4, 0x01FF, 0x02), (5, 0x01FE, 0x01), (6, 0x01FD, 0x20)]
    assert hook.cycle == 9
    mpu.irq()
    assert hook.cycle == 9
    mpu.nmi()
    assert hook.cycle == 16
    mpu.reset()
    assert hook.cycle == 23
    assert mpu.processorCycles == 0


def test_count_continues_the_processor_s_own_and_never_goes_back() -> None:
    mpu = mpu_with("8D0040 8D0040 8D0040")
    mpu.step()
    noted = Noted()
    first = hook_mpu(mpu, noted)
    assert first.cycle == 4
    mpu.step()
    first.detach()
    mpu.processorCycles = 0
    hook_mpu(mpu, noted)
    mpu.step()
    assert [cycle for cycle, _, _ in noted.rows] == [7, 7 + 3]


def test_memory_that_the_owner_replaces_is_followed() -> None:
    mpu = mpu_with("8D0040 8D0040")
    noted = Noted()
    hook_mpu(mpu, noted)
    mpu.step()
    other = [0] * 65536
    other[0x0203:0x0206] = [0x8D, 0x00, 0x50]
    mpu.memory = other
    mpu.step()
    assert [address for _, address, _ in noted.rows] == [0x4000, 0x5000]
    assert other[0x5000] == 0


def test_hooks_may_be_removed_in_any_order() -> None:
    mpu = mpu_with("8D0040 8D0040 8D0040")
    first_noted, second_noted = Noted(), Noted()
    first = hook_mpu(mpu, first_noted)
    second = hook_mpu(mpu, second_noted)
    mpu.step()
    first.detach()
    mpu.step()
    second.detach()
    mpu.step()
    assert len(first_noted.rows) == 1
    assert len(second_noted.rows) == 2


def test_wrapper_that_the_owner_had_stays() -> None:
    mpu = mpu_with("EA EA EA")
    steps: list[int] = []
    under = mpu.step

    def counted() -> object:
        steps.append(mpu.pc)
        return under()

    mpu.step = counted
    hook = hook_mpu(mpu, Noted())
    mpu.step()
    hook.detach()
    mpu.step()
    assert steps == [0x0200, 0x0201]
    assert mpu.step is counted


def test_instructions_added_by_a_class_take_its_cycles() -> None:
    class WithDoubleStore(mpu6502.MPU):  # type: ignore[misc]
        instruct = mpu6502.MPU.instruct[:]
        cycletime = mpu6502.MPU.cycletime[:]

        def store_twice(self) -> None:
            self.memory[0x4000] = 1
            self.memory[0x4001] = 2

        instruct[0x02] = store_twice
        cycletime[0x02] = 5

    mpu = mpu_with("02 8D0040", mpu_class=WithDoubleStore)
    noted = Noted()
    hook = hook_mpu(mpu, noted)
    mpu.step()
    assert noted.rows == [(3, 0x4000, 1), (4, 0x4001, 2)]
    mpu.step()
    assert hook.cycle == 9


def test_waiting_processor_counts_its_cycles() -> None:
    mpu = mpu_with("CB", mpu_class=mpu65c02.MPU)
    hook = hook_mpu(mpu, Noted())
    for _ in range(5):
        mpu.step()
    assert hook.cycle == 3 + 4


@pytest.mark.parametrize("target", [object(), mpu65org16.MPU()])
def test_other_targets_are_refused(target: object) -> None:
    with pytest.raises(TypeError, match="it must be a py65 6502 or 65C02, or a monitor"):
        hook_mpu(target, Noted())


@pytest.fixture
def monitor() -> Monitor:
    one = Monitor(argv=["py65mon"], stdin=io.StringIO(), stdout=io.StringIO())
    for line in ("assemble 0200 sta $4000", "assemble 0203 inc $4000", "registers pc=0200"):
        one.onecmd(line)
    return one


def test_monitor_may_reset_and_change_its_processor(monitor: Monitor) -> None:
    noted = Noted()
    hook = hook_mpu(monitor, noted)
    monitor.onecmd("step")
    monitor.onecmd("step")
    assert noted.rows == [(3, 0x4000, 0), (8, 0x4000, 0), (9, 0x4000, 1)]
    monitor.onecmd("reset")
    assert hook.cycle == 17
    monitor.onecmd("mpu 65C02")
    assert hook.cycle == 24
    monitor.onecmd("assemble 0200 stz $4000")
    monitor.onecmd("registers pc=0200")
    monitor.onecmd("step")
    assert noted.rows[3:] == [(27, 0x4000, 0)]
    hook.detach()
    monitor.onecmd("mpu 6502")
    monitor.onecmd("assemble 0200 sta $4000")
    monitor.onecmd("registers pc=0200")
    monitor.onecmd("step")
    assert len(noted.rows) == 4
    assert "_reset" not in vars(monitor)


def test_monitor_reports_a_processor_that_cannot_be_tapped(monitor: Monitor) -> None:
    noted = Noted()
    hook = hook_mpu(monitor, noted)
    monitor.onecmd("mpu 65Org16")
    assert "busplay taps a 6502 or a 65C02, not a 65Org16" in monitor.stdout.getvalue()
    assert hook.cycle == 7
    monitor.onecmd("mpu 6502")
    assert hook.cycle == 14


def test_monitor_runs_a_program_to_its_break(monitor: Monitor) -> None:
    noted = Noted()
    hook_mpu(monitor, noted)
    monitor.onecmd("assemble 0206 brk")
    monitor.onecmd("goto 0200")
    assert [data for _, _, data in noted.rows] == [0, 0, 1]


@pytest.mark.parametrize("name", ["fill", "tides"])
def test_shipped_program_makes_the_same_stores_under_the_hook_and_on_the_core(name: str) -> None:
    board = load_board("dunlin")
    core = core_for_board(board)
    load_memory(board, core.memory, ROMS / f"{name}.bin")
    mpu = mpu65c02.MPU(memory=core.memory.tolist())
    core.reset()
    mpu.pc, mpu.sp, mpu.p, mpu.processorCycles = core.pc, core.s, core.p, core.cycle
    buffer = StoreBuffer(board)
    hook = hook_mpu(mpu, buffer)
    core.run(100_000)
    while hook.cycle < core.cycle:
        mpu.step()
    assert hook.cycle == core.cycle
    ours, theirs = core.take_stores(), buffer.take()
    assert len(ours) > 3_000
    assert np.array_equal(ours.cycle, theirs.cycle)
    assert np.array_equal(ours.address, theirs.address)
    assert np.array_equal(ours.data, theirs.data)


OPCODES = {processor: sorted(table) for processor, table in INSTRUCTIONS.items()}


@settings(max_examples=150, deadline=None)
@given(
    processor=st.sampled_from(["6502", "65c02"]),
    picks=st.lists(
        st.tuples(st.integers(0, 999), st.binary(min_size=2, max_size=2)), min_size=5, max_size=80
    ),
)
def test_hook_and_reference_core_see_the_same_stores(
    processor: str, picks: list[tuple[int, bytes]]
) -> None:
    table = INSTRUCTIONS[processor]
    code = b""
    for pick, operand in picks:
        opcode = OPCODES[processor][pick % len(table)]
        code += bytes([opcode]) + operand[: MODE_BYTES[table[opcode].mode] - 1]
    memory = [0xEA] * 0x10000
    memory[0x0200 : 0x0200 + len(code)] = list(code)
    core = make_core("reference", processor)
    core.memory[:] = memory
    core.pc, core.s, core.p = 0x0200, 0xFD, 0x30
    mpu_class = {"6502": mpu6502.MPU, "65c02": mpu65c02.MPU}[processor]
    # py65 reads past $FFFF where addresses should wrap.
    mpu = mpu_class(memory=[*memory, 0xEA])
    mpu.pc, mpu.sp, mpu.p = 0x0200, 0xFD, 0x30
    noted = Noted()
    hook = hook_mpu(mpu, noted)
    for _ in range(2 * len(picks)):
        # py65 has no BBR, BBS and STP, never wakes from WAI, and is wrong in decimal mode and
        # with a (zp) pointer at $FF.
        differs = table.get(int(core.memory[core.pc]))
        if differs is None or differs.mnemonic[:2] == "BB" or differs.mnemonic in ("STP", "WAI"):
            break
        if core.pc >= 0xFFFC or (processor == "65c02" and core.p & 0x08):
            break
        if differs.mode is Mode.ZERO_PAGE_INDIRECT and core.memory[core.pc + 1] == 0xFF:
            break
        core.step()
        mpu.step()
        assert hook.cycle == core.cycle
        assert (mpu.pc, mpu.a, mpu.x, mpu.y, mpu.sp) == (core.pc, core.a, core.x, core.y, core.s)
    assert noted.rows == rows(core)
