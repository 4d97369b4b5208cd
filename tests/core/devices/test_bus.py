"""Devices of people's own: made from files, called in order, named when they fail."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from busplay.core.devices.interface import BusDevice, DeviceError
from busplay.core.devices.make import devices_of_board, trust_board_code
from busplay.core.devices.via_6522 import ViaDevice
from busplay.description.devices import Via6522
from busplay.description.read_devices import installed_devices
from busplay.errors import InputError
from busplay.link.load import load_board
from busplay.run.replay import Replay
from busplay.run.session import Session
from tests.core.devices.device_test import DeviceTest
from tests.core.devices.machines import KINDS, OWN, Alarm, alarm, bus_of, machine
from tests.core.programs import HANDLER
from tests.description.writing import BOARD

CLOCK = """
import sys

class Clock:
    irq = False

    def __init__(self, start=0, fails="", registers=4):
        self.start, self.fails, self.registers = start, fails, registers

    def read(self, offset, cycle):
        return {"raises": lambda: 1 // 0, "exits": sys.exit, "text": lambda: "7"}.get(
            self.fails, lambda: self.start + offset
        )()

    def write(self, offset, data, cycle):
        if self.fails == "write":
            raise KeyError(data)
        self.fails = {"then text": "event text", "then before": "before"}.get(
            self.fails, self.fails
        )
        self.start = data

    def next_event_cycle(self):
        return {"late": 50, "event text": "soon", "before": -5, "never": 10**40}.get(self.fails)

    def advance(self, cycle):
        pass

    def snapshot(self):
        return self.start

    def restore(self, snapshot):
        self.start = snapshot


class Busy:
    irq = read = write = next_event_cycle = advance = snapshot = restore = lambda self: None


class Half:
    def read(self, offset, cycle):
        return 0
"""


@pytest.fixture
def trusted() -> Iterator[None]:
    trust_board_code()
    yield
    trust_board_code(trusted=False)


def board_file(folder: Path, *, kind: str = "clock.py:Clock", more: str = "") -> Path:
    (folder / "clock.py").write_text(CLOCK)
    text = BOARD + (
        f'[[devices]]\nkind = "{kind}"\nname = "clock"\nfirst_address = 0xA800\n'
        f"last_address = 0xA803\n{more}"
    )
    path = folder / "board.toml"
    path.write_text(text)
    return path


class TestVia(DeviceTest):
    def make(self) -> BusDevice:
        described = Via6522(name="via", first_address=0, last_address=15, pins={"pa0": "random"})
        return ViaDevice(described, clock_hz=1_000_000)

    def program(self) -> list[tuple[int, int]]:
        return [(11, 0x58), (14, 0xE4), (4, 30), (5, 0), (8, 3), (9, 1), (10, 0xA5)]


class TestAlarm(DeviceTest):
    offsets = 4

    def make(self) -> BusDevice:
        return Alarm(repeats=True)

    def program(self) -> list[tuple[int, int]]:
        return [(2, 5), (0, 3)]


def test_class_beside_the_board_runs_only_if_trusted(tmp_path: Path) -> None:
    board = load_board(board_file(tmp_path))
    with pytest.raises(InputError, match="give --trust-board-code") as caught:
        devices_of_board(board)
    assert str(caught.value) == (
        f"{board.file}: devices[0].kind: found clock.py:Clock; it runs code of clock.py; look at"
        " that file, then give --trust-board-code"
    )


@pytest.mark.usefixtures("trusted")
@pytest.mark.parametrize("core", KINDS)
def test_class_beside_the_board_takes_the_tables_other_keys(tmp_path: Path, core: str) -> None:
    program = tmp_path / "p.bin"
    # LDA $A802, STA $4000, LDA #9, STA $A800, LDA $A801, STA $4001, JMP *.
    program.write_bytes(bytes.fromhex("AD02A8 8D0040 A909 8D00A8 AD01A8 8D0140 4C1202"))
    board = load_board(board_file(tmp_path, more="start = 30\n"))
    session = Session(board, program=program, load_address=0x0200, core=core)
    session.core.pc = 0x0200
    session.run(100)
    assert bytes(session.memory[0x4000:0x4002]) == bytes([32, 10])


@pytest.mark.usefixtures("trusted")
@pytest.mark.parametrize(
    ("kind", "more", "message"),
    [
        ("clock.py:Watch", "", "found clock.py:Watch; clock.py has no Watch"),
        ("clock.py:Half", "", "found clock.py:Half without write, next_event_cycle, advance, "
         "snapshot, restore, irq; a device has all of these"),
        ("clock.py:Busy", "", "found clock.py:Busy whose irq is a method; make it an attribute or a"
         " property"),
        ("clock.py:Clock", "registers = 0\n", "found clock.py:Clock whose registers are 0; give a"
         " number from 1 on"),
        ("clock.py:Clock", 'registers = "4"\n', "found clock.py:Clock whose registers are '4'; give"
         " a number from 1 on"),
        ("clock.py:Clock", "speed = 3\n", "found clock.py:Clock, which raised TypeError when it was"
         " made: Clock.__init__() got an unexpected keyword argument 'speed'; correct the table's"
         " keys, or the class"),
    ],
)  # fmt: skip
def test_class_that_is_no_device_is_refused(
    tmp_path: Path, kind: str, more: str, message: str
) -> None:
    board = load_board(board_file(tmp_path, kind=kind, more=more))
    with pytest.raises(InputError) as caught:
        devices_of_board(board)
    assert str(caught.value) == f"{board.file}: devices[0].kind: {message}"


@pytest.mark.usefixtures("trusted")
def test_file_that_does_not_load_is_named(tmp_path: Path) -> None:
    board = load_board(board_file(tmp_path))
    (tmp_path / "clock.py").write_text("import nothing_of_that_name\n")
    with pytest.raises(InputError, match=r"which does not load: ModuleNotFoundError"):
        devices_of_board(board)


@pytest.mark.usefixtures("trusted")
@pytest.mark.parametrize("core", KINDS)
@pytest.mark.parametrize(
    ("fails", "message"),
    [
        ("raises", r"device clock: read in cycle \d+ raised ZeroDivisionError: .*"),
        ("exits", r"device clock: read in cycle \d+ raised SystemExit: .*"),
        ("text", r"device clock: read in cycle \d+ returned '7', which is no byte; .*"),
        ("write", r"device clock: write in cycle \d+ raised KeyError: 3; .*"),
        ("then text", r"device clock: next_event_cycle in cycle \d+ returned 'soon', which is .*"),
        (
            "then before",
            r"device clock: next_event_cycle in cycle \d+ returned -5, which is not .*",
        ),
        ("late", r"device clock: next_event_cycle in cycle \d+ returned 50, which is not after .*"),
    ],
)
def test_device_that_fails_is_named_and_what_was_recorded_stays(
    tmp_path: Path, core: str, fails: str, message: str
) -> None:
    program, trace = tmp_path / "p.bin", tmp_path / "sent.trace"
    # LDX #3, STX $4000, STX $A800, LDA $A800, JMP *.
    program.write_bytes(bytes.fromhex("A203 8E0040 8E00A8 AD00A8 4C0B02"))
    board = load_board(board_file(tmp_path, more=f'fails = "{fails}"\n'))
    session = Session(board, program=program, load_address=0x0200, core=core, record=trace)
    session.core.pc = 0x0200
    with pytest.raises(DeviceError, match=message), session:
        session.run(1000)
    if fails == "late":
        return
    with Replay(trace) as replay:
        replay.run(1000)
        assert replay.displays["panel"].memory[0] == 3


@pytest.mark.usefixtures("trusted")
@pytest.mark.parametrize("core", KINDS)
def test_event_that_no_run_reaches_is_none(tmp_path: Path, core: str) -> None:
    (tmp_path / "p.bin").write_bytes(bytes.fromhex("AD00A8 4C0002"))
    board = load_board(board_file(tmp_path, more='fails = "never"\n'))
    session = Session(board, program=tmp_path / "p.bin", load_address=0x0200, core=core)
    session.core.pc = 0x0200
    assert session.run(1000) >= 1000


@pytest.mark.parametrize("kind", KINDS)
def test_line_that_falls_by_itself_is_not_taken_later(kind: str) -> None:
    # Rings for 5 cycles while masked; then CLI.
    own = OWN.to_bytes(2, "little").hex()
    second = (OWN + 2).to_bytes(2, "little").hex()
    code = f"78 A905 8D{second} A901 8D{own} {'EA' * 20} 58 EA EA 4C2602"
    core = machine(kind, code, lambda: [alarm()])
    core.run(200)
    assert core.counters.interrupts_taken == 0
    code = code.replace("A905", "A900")
    core = machine(
        kind, code, lambda: [alarm()], handler="8D" + (OWN + 1).to_bytes(2, "little").hex() + "40"
    )
    core.run(200)
    assert core.counters.interrupts_taken == 1
    assert core.memory[HANDLER] == 0x8D


def test_two_outputs_on_one_line_are_wired_or() -> None:
    made = [alarm(), alarm()]
    bus = bus_of(made)
    for _, device in made:
        device.write(0, 1, 10)
    made[1][1].write(0, 3, 10)
    for slot in bus.slots:
        slot.look(10, changed_from=11)
    bus._sum_up(11)
    bus.begin()
    bus.advance(100)
    assert bus.line_from == 27
    made[0][1].write(1, 0, 101)
    bus.slots[0].look(101, changed_from=102)
    bus._sum_up(102)
    assert bus.line_from == 59


def test_example_of_a_device_in_the_developers_guide_runs() -> None:
    """It has no more than 30 lines, and passes what every device must."""
    text = (Path(__file__).parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")
    found = re.search(r"```python\n(class Heartbeat.*?)```", text, re.DOTALL)
    assert found is not None
    assert len(found[1].splitlines()) <= 30
    namespace: dict[str, type] = {}
    exec(found[1], namespace)

    class TestHeartbeat(DeviceTest):
        offsets = 2

        def make(self) -> BusDevice:
            device: BusDevice = namespace["Heartbeat"](period_cycles=70)
            return device

        def program(self) -> list[tuple[int, int]]:
            return [(1, 1)]

    tests = TestHeartbeat()
    for name in dir(DeviceTest):
        if name.startswith("test_"):
            getattr(tests, name)()
    bus = tests.bus()
    bus.write(0x8001, 1, 5)
    bus.begin()
    bus.advance(500)
    assert bus.read(0x8000, 501) == 7


def test_leds_of_a_session_follow_the_port() -> None:
    session = Session("dunlin_ports", program="clock.bin")
    assert session.status().leds == (("lookout", False), ("log", False))
    session.run(5_000_000)
    assert session.status().leds == (("lookout", True), ("log", False))
    session.run(4_000_000)
    assert session.status().leds == (("lookout", False), ("log", False))


def test_installed_device_is_found_by_its_entry_point(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    point = EntryPoint("alarm", "tests.core.devices.machines:Alarm", "busplay.devices")
    monkeypatch.setattr("importlib.metadata.entry_points", lambda *, group: [point])
    installed_devices.cache_clear()
    try:
        bus = devices_of_board(
            load_board(board_file(tmp_path, kind="alarm", more="repeats = true"))
        )
    finally:
        installed_devices.cache_clear()
    assert bus is not None
    device = bus.slots[0].device
    assert isinstance(device, Alarm)
    assert device.repeats
