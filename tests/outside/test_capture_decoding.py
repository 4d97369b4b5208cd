"""Captures of other buses, decoded with our own link files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busplay.capture.decode import CaptureDecoder
from busplay.capture.find_map import find_map
from busplay.capture.lane_map import default_map, parse_map
from busplay.capture.look_ahead import DecodeSettings, look_ahead
from busplay.capture.report import DecodeReport
from busplay.capture.synthetic import Analyser
from busplay.errors import InputError
from busplay.formats.capture import open_capture
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link
from tests.capture.captures import decode, drawn, frames_on_grid, sampled

DATA = Path(__file__).parent.parent / "data"
CAPTURES = DATA / "sigrok_dumps"
LINKS = DATA / "links_for_captures"

SIGROK = "sigrok-dumps, commit 0ad13477"
LPC = "Intel LPC Interface Specification 1.1"


def decoded(
    capture: str, link: str, *, map_text: str = "", settings: DecodeSettings | None = None
) -> tuple[list[dict[str, int]], DecodeReport]:
    """Decode a capture; return each frame's fields, and the report."""
    layout = FrameLayout(load_link(LINKS / f"{link}.toml"))
    with open_capture(CAPTURES / capture) as source:
        lane_map = parse_map(map_text, link=layout.link, signals=source.signals)
        words: list[int] = []
        report = CaptureDecoder(source, layout, lane_map, settings=settings).run(
            lambda frames, _: words.extend(frames.word.tolist())
        )
    fields = layout.unpack(np.array(words, np.uint64))
    columns = {name: column.tolist() for name, column in fields.items()}
    return [{name: columns[name][row] for name in columns} for row in range(len(words))], report


@pytest.mark.parametrize("suffix", ["sr", "vcd", "csv"])
@pytest.mark.source(SIGROK, part="power9_lpc_io_write: $73 to $03F8 (its README)", kind="open data")
@pytest.mark.source(LPC, part="I/O write: order of nibbles, turnaround, sync", kind="from memory")
def test_lpc_write_is_read_in_every_form(suffix: str) -> None:
    frames, report = decoded(f"power9_lpc_io_write.{suffix}", "lpc_io_write")
    assert [(one["address"], one["data"]) for one in frames] == [(0x03F8, 0x73)]
    assert report.frames_damaged == 0
    assert report.clock.edges == 94
    assert report.clock.period_ps == pytest.approx(30_000, abs=20)


@pytest.mark.parametrize("sample_at_ps", [-6_000, 0, 6_000, 14_000])
@pytest.mark.source(SIGROK, part="power9_lpc_io_read: decoded on either edge", kind="open data")
def test_lpc_read_is_the_same_at_any_time_between_changes(sample_at_ps: int) -> None:
    settings = DecodeSettings(sample_at_ps=sample_at_ps)
    frames, _ = decoded("power9_lpc_io_read.sr", "lpc_io_read", settings=settings)
    assert [(one["address"], one["data"]) for one in frames] == [(0x03FD, 0x60)]


@pytest.mark.parametrize("suffix", ["sr", "vcd", "csv"])
@pytest.mark.source(
    SIGROK, part="power9_lpc_io_read: $60 from $03FD (its README)", kind="open data"
)
def test_lpc_read_is_read_in_every_form(suffix: str) -> None:
    frames, _ = decoded(f"power9_lpc_io_read.{suffix}", "lpc_io_read")
    assert [(one["address"], one["data"]) for one in frames] == [(0x03FD, 0x60)]


@pytest.mark.parametrize("suffix", ["sr", "vcd"])
@pytest.mark.source(
    SIGROK, part="lpc_vultureprog_snippet, 24 MS/s, jittery clock", kind="open data"
)
@pytest.mark.source("SST49LF080A data sheet", part="codes $BF, $5B", kind="from memory")
def test_jittery_lpc_clock_is_read_just_before_its_edge(suffix: str) -> None:
    frames, report = decoded(f"lpc_vultureprog_snippet.{suffix}", "lpc_memory_read")
    found = [(one["memory_address"], one["data"]) for one in frames]
    assert found == [(0xFFBC0000, 0xBF), (0xFFBC0001, 0x5B)]
    assert report.clock.edges_used == 32
    # Data change in the same sample as the clock or one before it, so it is not sure.
    assert report.sampling.symbols_in_doubt > 0
    assert -41_667 <= report.lanes[0].sample_at_ps < 0


@pytest.mark.parametrize("suffix", ["sr", "vcd", "csv"])
@pytest.mark.source(SIGROK, part="spi_0x35_cpol1_cpha1_trigger_cs_falling_ok", kind="open data")
@pytest.mark.source("common practice, no source", part="SPI mode 3 is sampled on the rising edge")
def test_bytes_of_a_serial_bus_are_framed_by_its_select(suffix: str) -> None:
    frames, report = decoded(
        f"spi_0x35_cpol1_cpha1_trigger_cs_falling_ok.{suffix}", "spi_byte_rising"
    )
    assert [one["word"] for one in frames] == [0x35, 0x35, 0x35]
    # 28 clocks: the capture ends in a byte.
    assert report.clock.edges_used == 28
    assert report.receiver.pending_symbols == 4


@pytest.mark.parametrize("suffix", ["sr", "vcd", "csv"])
@pytest.mark.source(SIGROK, part="spi_0x35_cpol0_cpha0: begins a clock too late", kind="open data")
def test_capture_that_begins_a_clock_late_is_in_sync_from_the_next_byte(
    suffix: str,
) -> None:
    frames, report = decoded(
        f"spi_0x35_cpol0_cpha0_trigger_clk_rising_ok.{suffix}", "spi_byte_rising"
    )
    # Without sync the 31 clocks read 6A 6A 6A; in sync, what was sent.
    assert [one["word"] for one in frames] == [0x35, 0x35, 0x35]
    assert report.clock.edges_used == 31
    # Seven clocks of the byte that was cut, and the rest behind it.
    assert report.receiver.symbols_skipped == 8
    assert report.health.outages[0].symbols == 8
    assert report.health.first_frame_ps == 8_687_500


@pytest.mark.parametrize("suffix", ["sr", "vcd", "csv"])
@pytest.mark.source(
    SIGROK, part="spi_0x5a6b_cpol0_cpha1: begins a clock too late", kind="open data"
)
def test_words_of_a_serial_bus_are_in_sync_after_a_cut_one(suffix: str) -> None:
    frames, report = decoded(
        f"spi_0x5a6b_cpol0_cpha1_trigger_clk_falling_ok.{suffix}", "spi_word_falling"
    )
    # The file's name says 5A6B; its low byte is sent first.
    assert [one["word"] for one in frames] == [0x6B5A]
    assert report.receiver.symbols_skipped == 16


@pytest.mark.source(SIGROK, part="hello_world_8n1_115200, a UART", kind="open data")
def test_wire_without_a_clock_is_refused_with_a_remedy() -> None:
    with (
        open_capture(CAPTURES / "hello_world_8n1_115200.sr") as source,
        pytest.raises(InputError, match=r"a single wire with no clock is an asynchronous serial"),
    ):
        default_map(link=load_link("serial"), signals=source.signals)


@pytest.mark.parametrize("rate_hz", [24_000_000, 50_000_000, 200_000_000])
@pytest.mark.source(
    "arithmetic of sampling", part="an edge shows within one sample", kind="computed"
)
def test_edge_is_sampled_within_one_period(rate_hz: int) -> None:
    layout = FrameLayout(load_link("lean"))
    frames = frames_on_grid(layout, 20, np.random.default_rng(1))
    source, _, _ = sampled(frames, layout, Analyser(rate_hz, phase_ps=0))
    clock = source.changes.level & np.uint64(1)
    seen = source.changes.time_ps[np.flatnonzero(clock[1:] != clock[:-1]) + 1].astype(np.int64)
    true = 31_250 + 62_500 * np.arange(len(seen))
    assert (seen >= true - 1).all()
    assert (seen - true <= -(-(10**12) // rate_hz)).all()


@pytest.mark.source("arithmetic of sampling", part="24 MS/s, 8 MHz: three a cycle", kind="computed")
def test_a_24_ms_analyser_takes_three_samples_of_an_8_mhz_cycle() -> None:
    layout = FrameLayout(load_link("lean"))
    frames = frames_on_grid(layout, 400, np.random.default_rng(2))
    source, _, _ = sampled(frames, layout, Analyser(24_000_000, phase_ps=10_000))
    found, report = decode(source, layout)
    assert 2 * report.sampling.samples_per_edge == pytest.approx(3, rel=1e-3)
    assert report.sampling.sample_ps == 41_666
    # Too few for certainty, but all frames confirmed by the check are there.
    assert [word for _, word in found] == frames.word.tolist()


@pytest.mark.source("common practice, no source", part="four samples a clock level")
def test_four_samples_a_level_leave_no_symbol_in_doubt_and_three_are_too_few() -> None:
    layout = FrameLayout(load_link("lean"))
    frames = frames_on_grid(layout, 400, np.random.default_rng(3))
    certain = {}
    for samples in (3, 4):
        source, _, _ = sampled(frames, layout, Analyser(16_000_000 * samples + 1_600, phase_ps=9))
        _, report = decode(source, layout)
        certain[samples] = report.sampling.is_certain
    assert certain == {3: False, 4: True}


@pytest.mark.source("JESD99 terms, from memory", part="setup and hold times", kind="from memory")
def test_setup_and_hold_are_a_lane_s_stable_times_around_its_sampling_point() -> None:
    layout = FrameLayout(load_link("lean"))
    frames = frames_on_grid(layout, 200, np.random.default_rng(4))
    source = drawn(frames, layout)
    _, report = decode(source, layout, settings=DecodeSettings(sample_at_ps=0))
    for eye in report.lanes:
        # Lanes change half a symbol, 31.25 ns, before and after the edge.
        assert eye.setup_ps == pytest.approx(31_250, abs=600)
    _, report = decode(source, layout, settings=DecodeSettings(sample_at_ps=10_000))
    for eye in report.lanes:
        assert eye.hold_ps == pytest.approx(21_250, abs=600)


@pytest.mark.parametrize(
    ("capture", "link", "field", "value"),
    [
        ("power9_lpc_io_write", "lpc_io_write", "data", [0x73]),
        ("spi_0x35_cpol1_cpha1_trigger_cs_falling_ok", "spi_byte_rising", "word", [0x35] * 3),
    ],
)
@pytest.mark.source(SIGROK, part="the same captures under other names", kind="open data")
def test_captures_are_read_alike_under_other_names(
    capture: str, link: str, field: str, value: list[int], tmp_path: Path
) -> None:
    layout = FrameLayout(load_link(LINKS / f"{link}.toml"))
    text = (CAPTURES / f"{capture}.vcd").read_text()
    with open_capture(CAPTURES / f"{capture}.vcd") as source:
        wires = default_map(link=layout.link, signals=source.signals).wires
        names = [name.rpartition(".")[2] for name in source.signals]
    for number, name in enumerate(names):
        text = text.replace(f" {name} $end", f" probe_{number} $end")
    renamed = tmp_path / "renamed.vcd"
    renamed.write_text(text)
    with open_capture(renamed) as source:
        assert all(name.rpartition(".")[2].startswith("probe_") for name in source.signals)
        map_text = ",".join(f"{wire}=probe_{probe.index}" for wire, probe in wires.items())
        lane_map = parse_map(map_text, link=layout.link, signals=source.signals)
        words: list[int] = []
        CaptureDecoder(source, layout, lane_map).run(
            lambda frames, _: words.extend(frames.word.tolist())
        )
    assert layout.unpack_field(np.array(words, np.uint64), field).tolist() == value


@pytest.mark.parametrize(
    ("capture", "link", "clock", "strobe"),
    [
        ("power9_lpc_io_write", "lpc_io_write", "lclk", "lframe"),
        ("power9_lpc_io_read", "lpc_io_read", "lclk", "lframe"),
        ("spi_0x35_cpol1_cpha1_trigger_cs_falling_ok", "spi_byte_rising", "CLK", "CS#"),
    ],
)
@pytest.mark.source(SIGROK, part="names of the channels", kind="open data")
def test_clock_and_strobe_of_a_short_capture_are_found_and_lanes_stay_open(
    capture: str, link: str, clock: str, strobe: str
) -> None:
    layout = FrameLayout(load_link(LINKS / f"{link}.toml"))
    with open_capture(CAPTURES / f"{capture}.sr") as source:
        look, _ = look_ahead(source)
        blank = [f"CH{number}" for number in range(len(source.signals))]
        found = find_map(look, layout, blank, sample_ps=None)
        wires = found.best.lane_map.wires
        assert source.signals[wires["clock"].index] == clock
        assert source.signals[wires["strobe"].index] == strobe
    # One or three frames without a check do not identify the lanes.
    assert found.confidence == "open"
