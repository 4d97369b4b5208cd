from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from py65.devices import mpu65c02, mpu6502
from py65.memory import ObservableMemory
from py65.monitor import Monitor

import busplay
from busplay.batch import StoreBatch
from busplay.run.store_stream import StoreStream

DUNLIN = busplay.load_board("dunlin")
# LDX #0; loop: TXA; STA $4000,X; INX; BNE loop; BRK
COUNT_UP = bytes([0xA2, 0x00, 0x8A, 0x9D, 0x00, 0x40, 0xE8, 0xD0, 0xF9, 0x00])


def test_tap_shows_what_is_stored() -> None:
    tap = busplay.Tap(DUNLIN)
    tap.store(10, 0x4000, 0x21)
    tap.store(20, 0xA1FF, 0x01)
    tap.store(20, 0x0200, 0xFF)  # no window: ignored
    assert tap.display("panel").memory[0] == 0x21
    assert tap.display("sign").memory[511] == 1
    assert tap.counters().stores == 2


def test_batches_and_single_stores_are_one_pipeline(tmp_path: Path) -> None:
    random = np.random.default_rng(7)
    count = 5_000
    cycle = np.cumsum(random.integers(3, 40, count)).astype(np.uint64)
    address = random.integers(0x4000, 0xA200, count).astype(np.uint16)
    data = random.integers(0, 256, count).astype(np.uint8)
    whole = busplay.Tap(DUNLIN, record=tmp_path / "a.trace")
    whole.stores(StoreBatch(cycle, address, data))
    whole.close()
    single = busplay.Tap(DUNLIN, record=tmp_path / "b.trace")
    for one in zip(cycle.tolist(), address.tolist(), data.tolist(), strict=True):
        single.store(*one)
    single.close()
    assert np.array_equal(whole.display("panel").memory, single.display("panel").memory)
    assert (tmp_path / "a.trace").read_bytes() == (tmp_path / "b.trace").read_bytes()


def test_decreasing_cycles_are_refused() -> None:
    tap = busplay.Tap(DUNLIN)
    tap.store(10, 0x4000, 1)
    with pytest.raises(ValueError, match="cycle is 9"):
        tap.store(9, 0x4000, 1)


@pytest.mark.parametrize("device", [mpu6502.MPU, mpu65c02.MPU])
@pytest.mark.parametrize("memory_kind", ["list", "observable"])
def test_attach_to_an_existing_py65(device: type[mpu6502.MPU], memory_kind: str) -> None:
    memory = [0] * 0x10000
    memory[0x0300 : 0x0300 + len(COUNT_UP)] = COUNT_UP
    mpu = device(
        memory=memory if memory_kind == "list" else ObservableMemory(subject=memory), pc=0x0300
    )
    tap = busplay.attach(mpu, DUNLIN)
    while mpu.memory[mpu.pc] != 0:
        mpu.step()
    assert tap.display("panel").memory[:256].tolist() == list(range(256))
    assert tap.counters().stores == 256
    tap.detach()
    mpu.memory[0x4000] = 0x55
    mpu.pc = 0x0300
    for _ in range(8):
        mpu.step()
    assert tap.counters().stores == 256


def test_attach_to_the_py65_monitor() -> None:
    screen = io.StringIO()
    monitor = Monitor(argv=["py65mon"], stdout=screen)
    for i, byte in enumerate(COUNT_UP):
        monitor._mpu.memory[0x0300 + i] = byte
    tap = busplay.attach(monitor, DUNLIN)
    monitor.onecmd("registers pc=300")
    monitor.onecmd("add_breakpoint 309")
    monitor.onecmd("goto 300")
    assert tap.display("panel").memory[:256].tolist() == list(range(256))


def test_attach_refuses_other_objects() -> None:
    with pytest.raises(TypeError):
        busplay.attach(object(), DUNLIN)  # type: ignore[arg-type]


def stream_of(*batches: list[tuple[int, int, int]]) -> list[StoreBatch]:
    return [
        StoreBatch(
            np.array([row[0] for row in rows], np.uint64),
            np.array([row[1] for row in rows], np.uint16),
            np.array([row[2] for row in rows], np.uint8),
        )
        for rows in batches
    ]


def test_stream_goes_only_as_far_as_it_is_asked() -> None:
    batches = stream_of([(100, 0x4000, 1), (200, 0x4001, 2)], [(300, 0x4002, 3)])
    with StoreStream(DUNLIN, iter(batches), name="test", wait=True) as stream:
        assert stream.run(150) == 150
        assert stream.displays["panel"].memory[:3].tolist() == [1, 0, 0]
        stream.run(100)
        assert stream.displays["panel"].memory[:3].tolist() == [1, 2, 0]
        stream.run(1_000_000)
        assert stream.ended
        assert stream.cycle == 301
        assert stream.displays["panel"].memory[:3].tolist() == [1, 2, 3]


def test_stream_shows_everything_before_damage() -> None:
    def damaged():  # type: ignore[no-untyped-def]
        yield from stream_of([(100, 0x4000, 1)])
        raise busplay.InputError(file="x.csv", place="line 3", found="nonsense")

    with StoreStream(DUNLIN, damaged(), name="x.csv", wait=True) as stream:
        with pytest.raises(busplay.InputError, match=r"x\.csv: line 3: found nonsense"):
            stream.run(1_000)
        assert stream.displays["panel"].memory[0] == 1


def test_silent_stream_does_not_block_a_window() -> None:
    import threading

    go_on = threading.Event()

    def silent():  # type: ignore[no-untyped-def]
        yield from stream_of([(100, 0x4000, 1)])
        go_on.wait(30)

    with StoreStream(DUNLIN, silent(), name="pipe", wait=False) as stream:
        ran = 0
        while ran == 0:
            ran = stream.run(1_000)
        assert stream.run(1_000) == 0
        assert not stream.ended
        go_on.set()
