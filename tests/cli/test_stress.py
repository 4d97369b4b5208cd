"""`busplay stress` as a user runs it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from busplay.cli.stress_command import command
from tests.cli.command import run_busplay
from tests.cli.test_faults import FILL


def stress(*words: object) -> int:
    code = command.main([str(word) for word in words], standalone_mode=False)
    assert isinstance(code, int)
    return code


def test_program_and_its_trace_give_the_same_sweep(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    trace = tmp_path / "fill.trace"
    cycles = ("--cycles", 400_000)
    assert run_busplay("run", "dunlin", FILL, "--headless", *cycles, "--record", trace) == 0
    capsys.readouterr()
    options = ("--sweep-receiver-fifo", "1,4", "--sweep-ber", "1e-4..1e-3/2", "--jobs", 1, "--json")
    found = []
    for load in (trace, FILL):
        assert stress("dunlin", load, *cycles, *options) == 0
        found.append(json.loads(capsys.readouterr().out))
    assert found[0]["points"] == found[1]["points"]
    assert [one["value"] for one in found[0]["points"]] == [1e-4, 1e-3, 1, 4]
    assert found[0]["answers"]["smallest_receiver_fifo"] == 1
    for one in found[0]["points"]:
        assert one["low_ratio"] <= one["loss_ratio"] <= one["high_ratio"]


def test_text_csv_and_plot(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, slow_board: Path
) -> None:
    pytest.importorskip("matplotlib", reason="Matplotlib is in the extra `analysis`")
    table, plot = tmp_path / "sweep.csv", tmp_path / "sweep.svg"
    code = stress(
        slow_board,
        FILL,
        "--cycles",
        4_000_000,
        "--sweep-receiver-fifo",
        "4,8,32,64",
        "--jobs",
        1,
        "--csv",
        table,
        "--plot",
        plot,
    )
    out = capsys.readouterr().out
    lines = out.splitlines()
    assert code == 1
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert "frames lost" in lines[0]
    assert "  receiver FIFO    depth " in out
    assert "without busy times" in out
    assert "receiver FIFO depth             4 loses " in out
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert [row["value"] for row in rows] == ["", "4", "8", "32", "64"]
    lost = [int(row["lost_at_receiver"]) for row in rows[1:]]
    assert lost == sorted(lost, reverse=True)
    assert lost[0] > 0
    assert plot.read_text().startswith("<?xml")
    assert not list(tmp_path.glob("*.part"))


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_plot_is_the_same_twice(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], suffix: str
) -> None:
    pytest.importorskip("matplotlib", reason="Matplotlib is in the extra `analysis`")
    pictures = []
    for name in ("one", "two"):
        path = tmp_path / f"{name}{suffix}"
        stress(
            "dunlin",
            FILL,
            "--cycles",
            400_000,
            "--sweep-ber",
            "1e-4,1e-3",
            "--jobs",
            1,
            "--plot",
            path,
        )
        pictures.append(path.read_bytes())
    capsys.readouterr()
    assert pictures[0] == pictures[1]
    assert pictures[0].startswith({".png": b"\x89PNG", ".svg": b"<?xml"}[suffix])


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--sweep-receiver-fifo", "0"), "0 is not between 1 and 1,048,576"),
        (("--sweep-receiver-fifo", "1.5"), "'1.5' is no whole number"),
        (("--sweep-ber", "2"), "2 is not 0, 1, or between 1e-12 and 1"),
        (("--sweep-ber", "many"), "'many' is no probability; write 1e-4 or 0.001"),
        (("--sweep-service", "200"), "give a unit, such as 200s or 200ms"),
        (("--sweep-service", "900ns..100ns/5"), "'900ns..100ns/5' is no span"),
        (("--sweep-fifo", "4"), "--sweep-fifo is now --sweep-receiver-fifo"),
        (("--budget", "4"), "--budget is now --max-frames"),
        (("--width", "0.1"), "--width is now --precision"),
        (
            ("--sweep-busy", "2ms"),
            "--sweep-busy: found 2,000,000 ns; the busy time comes every 1,000,000 ns, so give"
            " less",
        ),
        (("--plot", "sweep.gif"), "--plot: found sweep.gif; end its name in .png, .svg, .pdf"),
        (("--jobs", "0"), "--jobs is a number of processes, or -1 for one a core"),
        (("--cycles", "20"), "found nothing that goes on the link"),
    ],
)
def test_wrong_use_is_refused(words: tuple[str, str], message: str) -> None:
    with pytest.raises(Exception, match=r"found|is not|is no|--|unit") as caught:
        stress("dunlin", FILL, *words)
    assert message in str(getattr(caught.value, "message", caught.value)) or message in str(
        caught.value
    )


def test_trace_of_another_link_is_refused(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    trace = tmp_path / "lean.trace"
    words = ("--headless", "--cycles", 1_000, "--link", "lean", "--record", trace)
    assert run_busplay("run", "dunlin", FILL, *words) == 0
    capsys.readouterr()
    with pytest.raises(Exception, match="found a recording of link lean"):
        stress("dunlin", trace, "--jobs", 1)
