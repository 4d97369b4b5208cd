from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.cli.conftest import Busplay

DATA = Path(__file__).parent.parent / "data" / "sigrok_dumps"


def test_info_of_a_capture_as_json(busplay: Busplay) -> None:
    path = DATA / "hello_world_8n1_115200.sr"
    outcome = busplay("info", path, "--json")
    assert outcome.status == 0
    assert outcome.figures == {
        "file": str(path),
        "format": "sr",
        "compression": None,
        "complete": True,
        "cut_reason": None,
        "file_bytes": 567,
        "written_by": "sigrok 0.4.0-git-ae9ca5b",
        "start_ps": 0,
        "stop_ps": 3_650_000_000,
        "duration_ps": 3_650_000_000,
        "sample_rate_hz": 1_000_000,
        "tick": "1 sample",
        "least_gap_ps": 5_000_000,
        "states": 259,
        "changes": 259,
        "signals": [{"name": "TX", "bits": 1, "kind": "channel", "changes": 259}],
        "notes": [],
    }


def test_info_of_a_capture_for_people(busplay: Busplay) -> None:
    path = DATA / "power9_lpc_io_read.vcd"
    outcome = busplay("info", path)
    assert outcome.status == 0
    assert outcome.out == (
        f"capture  {path}, vcd, 1,272 bytes, complete\n"
        "written  libsigrok 0.5.2\n"
        "time     1.424 us, from 0 to 1.424 us\n"
        "steps    1 GHz sampled, counts in 1 ns, shortest step 4 ns\n"
        "changes  120 values of 6 signals; 106 different states in time\n"
        "\n"
        "signal            kind        bits       values\n"
        "libsigrok.lad0    wire           1            5\n"
        "libsigrok.lad1    wire           1            7\n"
        "libsigrok.lad2    wire           1            5\n"
        "libsigrok.lad3    wire           1            5\n"
        "libsigrok.lframe  wire           1            3\n"
        "libsigrok.lclk    wire           1           95\n"
    )


def test_info_of_a_part(busplay: Busplay) -> None:
    path = DATA / "power9_lpc_io_read.vcd"
    outcome = busplay("info", path, "--from", "0.1us", "--to", "200ns", "--json")
    assert outcome.figures["start_ps"] == 100_000
    assert outcome.figures["duration_ps"] == 100_000
    outcome = busplay("info", path, "--max-changes", "3", "--json")
    assert outcome.figures["states"] == 3
    assert outcome.figures["stop_ps"] == 28_000


def test_info_of_raw_samples(busplay: Busplay, tmp_path: Path) -> None:
    path = tmp_path / "samples"
    path.write_bytes(bytes([0, 1, 3, 2] * 100))
    outcome = busplay("info", path, "--in-rate", "24MHz", "--in-bits", "0-1", "--json")
    assert outcome.status == 0
    signals = outcome.figures["signals"]
    assert [one["name"] for one in signals] == ["D0", "D1"]
    assert outcome.figures["changes"] == 401
    assert outcome.figures["duration_ps"] == 400 * 10**12 // 24_000_000


def test_info_of_a_damaged_capture(busplay: Busplay, tmp_path: Path) -> None:
    path = tmp_path / "run3.vcd"
    path.write_text("$var wire 1 ! a $end $enddefinitions $end\n#5 0!\n#9 1!\n#7 0!\n")
    outcome = busplay("info", path, "--json")
    assert outcome.status == 2
    assert outcome.figures == {
        "error": f"{path}:4:1: found time #7 after #9; time never goes back; the file is damaged"
        " here (--keep-going reads up to this point)",
        "file": str(path),
        "place": "4:1",
        "found": "time #7 after #9",
        "wanted": "time never goes back; the file is damaged here (--keep-going reads up to this"
        " point)",
    }
    outcome = busplay("info", path, "--keep-going", "--json")
    assert outcome.status == 1
    assert outcome.figures["complete"] is False
    assert outcome.figures["cut_reason"] == (
        "4:1: found time #7 after #9; time never goes back; the file is damaged here"
    )
    assert outcome.figures["changes"] == 2
    outcome = busplay("info", path, "--keep-going")
    assert "CUT: 4:1: found time #7 after #9" in outcome.out


def test_info_of_a_capture_cut_off(busplay: Busplay, tmp_path: Path) -> None:
    path = tmp_path / "cut.vcd"
    path.write_bytes((DATA / "power9_lpc_io_read.vcd").read_bytes()[:-8])
    outcome = busplay("info", path, "--json")
    assert outcome.status == 0
    assert outcome.figures["complete"] is False
    assert outcome.figures["cut_reason"] == "it ends in the middle of a word: the file was cut off"


def test_info_of_nothing_known(busplay: Busplay, tmp_path: Path) -> None:
    path = tmp_path / "mystery.xyz"
    path.write_bytes(bytes(range(256)))
    outcome = busplay("info", path)
    assert outcome.status == 2
    assert outcome.err == (
        f"busplay: {path}: found bytes that are no VCD, CSV or session file; for raw samples give"
        " --in-rate 24MHz --in-bits 0-7\n"
    )


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"\x0a\x0d\x0d\x0a" + bytes(60), "found packets (pcapng); busplay convert makes a trace"),
        (b"\xd4\xc3\xb2\xa1" + bytes(60), "found packets (pcap); save them as pcapng"),
        (b"\0" * 7 + b"\x01\x49" + bytes(60), "found a waveform file (FST); export it as VCD"),
        (b"GHDLwave\n" + bytes(60), "found a waveform file (GHW); export it as VCD"),
        (b"cycle,address,data\n1,2,3\n", "found stores as rows; busplay convert reads them"),
        (b"edge,word,time_ns\n1,2,3\n", "found frames as rows; busplay convert reads them"),
        (b"\x89PNG\r\n\x1a\n" + bytes(60), "found a picture; give VCD, CSV, .sr or raw samples"),
    ],
)
def test_what_is_no_capture_is_named_with_the_way_on(
    busplay: Busplay, tmp_path: Path, content: bytes, found: str
) -> None:
    path = tmp_path / "some.file"
    path.write_bytes(content)
    outcome = busplay("info", path)
    assert outcome.status == 2
    assert outcome.err.startswith(f"busplay: {path}: {found}")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
@pytest.mark.parametrize("command", ["info", "decode", "convert"])
def test_a_pipe_is_refused_and_not_waited_for(
    busplay: Busplay, tmp_path: Path, command: str
) -> None:
    path = tmp_path / "pipe.vcd"
    os.mkfifo(path)
    words = {"info": (), "decode": ("--link", "lean"), "convert": (tmp_path / "a.trace",)}[command]
    outcome = busplay(command, path, *words)
    assert outcome.status == 2
    assert outcome.err == (
        f"busplay: {path}: found a pipe; this is read more than once: write it to a file, and give"
        " that\n"
    )
