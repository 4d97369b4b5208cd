"""A 6522 that jumps over time is the one that is ticked, whatever is done to it and when."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from busplay.core.devices import via_state as at
from busplay.core.devices.via_6522 import ViaDevice
from busplay.description.devices import Via6522, ViaPart
from tests.naive.via_6522 import NaiveVia

# Small counts, so that time-outs, edges and accesses meet.
BYTES = st.one_of(st.sampled_from([0, 1, 2, 3, 5]), st.integers(0, 255))
CONTROLS = st.sampled_from(["ca1", "ca2", "cb1", "cb2"])
STEPS = st.one_of(
    st.tuples(st.just("read"), st.integers(0, 15), st.just(0)),
    st.tuples(st.just("write"), st.integers(0, 15), BYTES),
    # Counters start with a high byte of 0 only.
    st.tuples(st.just("write"), st.sampled_from([5, 7, 9]), st.just(0)),
    st.tuples(st.just("write"), st.just(14), st.sampled_from([0xFF, 0xC0, 0xA0, 0x84])),
    st.tuples(st.just("control"), CONTROLS, st.integers(0, 1)),
    st.tuples(st.just("port"), st.sampled_from("ab"), st.integers(0, 255)),
)
GAPS = st.one_of(st.integers(1, 4), st.integers(1, 60), st.integers(1, 900))


class Both:
    """A ticked 6522 and ours, to which the same happens."""

    def __init__(self, part: ViaPart, *, driven: int = 0x5A) -> None:
        self.ours = ViaDevice(
            Via6522(name="via", first_address=0, last_address=15, part=part), clock_hz=1_000_000
        )
        self.ticked = NaiveVia(holds=part == "w65c22")
        state = self.ours.state
        state[at.DRIVEN_A] = state[at.DRIVEN_B] = driven
        self.ticked.driven = {"a": driven, "b": driven}
        self.ticked._hold()
        state[at.HELD_A], state[at.HELD_B] = self.ticked.held["a"], self.ticked.held["b"]
        self.ticked.tick()
        self.cycle = 0

    def wait(self, cycles: int) -> None:
        """Tick, and look at the interrupt output in every cycle."""
        line_from = self.ours.line_from
        for _ in range(cycles):
            self.cycle += 1
            self.ticked.tick()
            assert (line_from <= self.cycle) == self.ticked.irq, self.cycle

    def read(self, offset: int) -> int:
        found = self.ticked.read(offset)
        assert self.ours.read(offset, self.cycle) == found, (self.cycle, offset)
        return found

    def write(self, offset: int, data: int) -> None:
        self.ticked.write(offset, data)
        self.ours.write(offset, data, self.cycle)

    def control(self, pin: str, level: int) -> None:
        self.ticked.set_control(pin, level)
        self.ours.set_input(pin, level, self.cycle)

    def port(self, port: str, levels: int) -> None:
        self.ticked.set_port(port, levels)
        for bit in range(8):
            self.ours.set_input(f"p{port}{bit}", levels >> bit & 1, self.cycle)

    def look(self) -> None:
        """Compare the outputs."""
        ours, ticked = self.ours, self.ticked
        for port in "ab":
            for bit in range(8):
                level = ours.output_level(f"p{port}{bit}", self.cycle)
                assert level == ticked.levels(port) >> bit & 1, (self.cycle, port, bit)
        if ticked.pcr & 0x08:
            assert ours.output_level("ca2", self.cycle) == ticked.ca2_out
        if ticked.mode >= 4:
            assert ours.output_level("cb2", self.cycle) == ticked.cb2_data
        elif ticked.pcr & 0x80:
            assert ours.output_level("cb2", self.cycle) == ticked.cb2_out


@settings(max_examples=400)
@given(
    part=st.sampled_from(["r6522", "w65c22"]),
    steps=st.lists(st.tuples(GAPS, STEPS), min_size=1, max_size=50),
)
def test_via_that_jumps_is_the_one_that_is_ticked(
    part: ViaPart, steps: list[tuple[int, tuple[str, int | str, int]]]
) -> None:
    both = Both(part)
    for gap, (what, where, value) in steps:
        both.wait(gap)
        match what:
            case "read":
                both.read(int(where))
            case "write":
                both.write(int(where), value)
            case "control":
                both.control(str(where), value)
            case "port":
                both.port(str(where), value)
        # What an input sets holds from this cycle on, what an access does from the next.
        both.look()
    for offset in (2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14, 0, 1, 10):
        both.wait(1)
        both.read(offset)
