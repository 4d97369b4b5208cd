"""Every lost store by name, and traces of what arrived, from the command line."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from busplay.description.shipped_files import shipped_boards
from tests.cli.conftest import BUSY, Busplay, edited_dunlin
from tests.cli.test_faults import FILL

ROUGH = ("--ber", "1e-4", "--ber", "2=1e-3", "--burst-edges", 3, "--lost-edges", "1e-5")
ROUGH += ("--extra-edges", "1e-5", "--early", "1=1e-4", "--late", "0=1e-4")
ROUGH += ("--stall", "20us/1ms", "--seed", 5)


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture
def narrow_board(tmp_path: Path) -> Path:
    """A Dunlin that loses stores at both FIFOs and after the deadline."""
    return edited_dunlin(
        tmp_path / "narrow.toml",
        ("service_ns = 250\n", f"service_ns = 900\ndeadline_ns = 9_000\n{BUSY}"),
        ("\nfifo_depth = 16 ", "\nfifo_depth = 1 "),
    )


def test_all_lost_stores_are_listed_with_all_that_is_known(
    busplay: Busplay, slow_board: Path, tmp_path: Path
) -> None:
    losses = tmp_path / "lost.csv"
    words = ("--headless", "--cycles", 4_000_000, "--losses", losses, "--json")
    found = busplay("run", slow_board, FILL, *words).figures
    rows = rows_of(losses)
    frames = found["accounts"]["frames"]
    assert len(rows) == frames["lost_at_receiver"] > 100
    assert found["losses_file"] == str(losses)
    listed = found["losses"]
    for one, row in zip(listed, rows, strict=False):
        assert (row["cause"], int(row["cycle"])) == (one["cause"], one["cycle"])
        assert int(row["address"], 16) == one["address"]
        assert int(row["data"], 16) == one["data"]
        assert (int(row["pc"], 16), row["label"]) == (one["pc"], one["label"])
        assert row["receiver_busy"] == "+".join(one["receiver_busy"])
    assert [int(row["cycle"]) for row in rows] == sorted(int(row["cycle"]) for row in rows)
    assert {"video", ""} == {row["receiver_busy"] for row in rows}


def test_causes_of_sender_receiver_and_deadline_all_name_their_store(
    busplay: Busplay, narrow_board: Path, tmp_path: Path
) -> None:
    link = tmp_path / "slow_link.toml"
    text = (Path(str(shipped_boards()["dunlin"])).parent / "guarded.toml").read_text()
    link.write_text(text.replace('clock = "processor"', "clock_hz = 3_000_000"))
    losses = tmp_path / "lost.csv"
    words = ("--headless", "--cycles", 4_000_000, "--losses", losses, "--link", link, "--json")
    frames = busplay("run", narrow_board, FILL, *words).figures["accounts"]["frames"]
    rows = rows_of(losses)
    causes = {"sender_fifo": "lost_at_sender", "receiver_fifo": "lost_at_receiver"}
    causes["deadline"] = "lost_late"
    for cause, name in causes.items():
        some = [row for row in rows if row["cause"] == cause]
        assert len(some) == frames[name] > 0, cause
        code = FILL.read_bytes()
        for row in some:
            assert row["cycle_is_exact"] == "yes"
            # STA or STX in one of their forms: the low two bits tell the register.
            assert code[int(row["pc"], 16) - 0xC000] & 0xE0 == 0x80
            assert row["label"]


def test_replay_with_its_program_names_the_same_stores(busplay: Busplay, tmp_path: Path) -> None:
    trace, first, second = (tmp_path / name for name in ("s.trace", "1.csv", "2.csv"))
    words = ("--headless", "--json", *ROUGH)
    run = ("run", "dunlin", FILL, "--cycles", 3_000_000, "--record", trace)
    ran = busplay(*run, *words, "--losses", first).figures
    again = ("replay", trace, "--program", FILL)
    replayed = busplay(*again, *words, "--losses", second).figures
    assert first.read_text() == second.read_text()
    assert len(rows_of(first)) > 20
    assert ran["accounts"] == replayed["accounts"]
    assert ran["losses"] == replayed["losses"]
    assert ran["program_counters"] == replayed["program_counters"] == "known"


def test_replay_without_its_program_says_what_it_does_not_know(
    busplay: Busplay, tmp_path: Path
) -> None:
    trace, losses = tmp_path / "s.trace", tmp_path / "l.csv"
    words = ("--headless", "--cycles", 3_000_000, "--record", trace)
    assert busplay("run", "dunlin", FILL, *words).status == 0
    words = ("--headless", *ROUGH, "--losses", losses)
    out = busplay("replay", trace, *words).out
    assert "no program counters: a trace holds none; --program FILE runs its program" in out
    assert "stores lost, by address (of the first" in out
    for row in rows_of(losses):
        assert (row["pc"], row["address_label"], row["cycle_is_exact"]) == ("", "", "no")


def test_gap_longer_than_the_sequence_field_is_reported(busplay: Busplay, tmp_path: Path) -> None:
    faults = tmp_path / "gap.toml"
    faults.write_text("[[lost_edges]]\nat_edges = [200_000]\ncount = 40_000\n")
    words = ("--headless", "--cycles", 400_000, "--faults", faults)
    out = busplay("run", "dunlin", FILL, *words).out
    assert "it wrapped once (16 or more missed at once)" in out
    frames = busplay("run", "dunlin", FILL, *words, "--json").figures["accounts"]["frames"]
    assert frames["missed"] >= 16
    assert frames["missed_by_sequence"] == frames["missed"] % 16


def test_info_names_a_trace_of_what_arrived(busplay: Busplay, tmp_path: Path) -> None:
    received = tmp_path / "received.trace"
    words = ("--headless", "--cycles", 1_000_000, "--ber", "1e-3", "--record-received", received)
    sent = busplay("run", "dunlin", FILL, *words, "--json").figures["frames_sent"]
    assert busplay("info", received, "--json").figures["arrived_of"] == sent
    assert f"these frames did, of {sent:,} that were sent" in busplay("info", received).out


def test_other_program_than_the_recorded_one_is_refused(busplay: Busplay, tmp_path: Path) -> None:
    trace = tmp_path / "fill.trace"
    words = ("--headless", "--cycles", 10_000, "--record", trace)
    assert busplay("run", "dunlin", FILL, *words).status == 0
    other = FILL.with_name("tides.bin")
    found = busplay("replay", trace, "--headless", "--program", other)
    assert found.status == 2
    assert found.err == (
        f"busplay: {other}: found a program other than the recorded one; give fill.bin as"
        f" it was when {trace} was made\n"
    )


def test_demo_takes_faults_and_records_both_ends(busplay: Busplay, tmp_path: Path) -> None:
    sent, received = tmp_path / "sent.trace", tmp_path / "received.trace"
    words = ("--headless", "--cycles", 3_000_000, "--record", sent, "--json", *ROUGH)
    figures = busplay("demo", "fill", *words, "--record-received", received).figures
    accounts = figures["accounts"]
    assert accounts["balanced"] is True
    assert set(accounts["faults"]) == {
        "flipped_symbols",
        "late_symbols",
        "early_symbols",
        "stuck_symbols",
        "lost_edges",
        "extra_edges",
    }
    frames = accounts["frames"]
    found = busplay("compare", sent, received, "--json")
    assert found.status == 1
    counted = found.figures
    assert counted["frames_same"] == frames["received_intact"]
    lost = frames["stores"] - frames["received_intact"]
    assert counted["frames_missing"] + counted["frames_changed"] == lost
    replayed = busplay("replay", received, "--headless", "--json").figures
    assert replayed["frames_sent"] == replayed["frames_received"] == counted["frames_actual"]
