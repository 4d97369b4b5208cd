"""Films, read back by other programs: pictures, times and pixels."""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from busplay.errors import InputError
from busplay.export.film import write_film
from tests.boards import PANEL
from tests.export.films import (
    CLOCK_HZ,
    at_times,
    moving,
    read_film,
    record,
    screens,
    small_board,
)

needs_ffprobe = pytest.mark.skipif(
    shutil.which("ffprobe") is None, reason="ffprobe is not installed; CI installs it"
)

# Some 21 refreshes, the last of them behind the end; colours of both palettes change on the way.
CYCLES = 340_000

read_by_pillow = pytest.mark.source("Pillow 13.0.0", part="GIF, APNG, WebP", kind="library")


@pytest.fixture(scope="module")
def trace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("film") / "moving.trace"
    return record(path, small_board(60), moving(CYCLES))


@read_by_pillow
@pytest.mark.parametrize("suffix", [".gif", ".apng", ".webp"])
@pytest.mark.parametrize(("unit", "scale"), [(None, 1), (None, 3), ("panel", 2), ("sign", 1)])
def test_each_picture_is_what_the_screen_shows_at_its_refresh(
    trace: Path, tmp_path: Path, suffix: str, unit: str | None, scale: int
) -> None:
    target = tmp_path / f"a{suffix}"
    report = write_film(trace, target, unit=unit, scale=scale)
    expected = screens(trace, unit=unit, scale=scale)
    assert report.refreshes == len(expected) == 22
    assert (report.height_px, report.width_px) == expected[0].shape[:2]
    pictures, times_ms = read_film(target)
    assert len(pictures) == report.pictures
    # A little behind the refresh, since each begins at the nearest hundredth or thousandth.
    moments_ms = [1000 * number / 60 + 5.1 for number in range(len(expected))]
    for found, wanted in zip(at_times(pictures, times_ms, moments_ms), expected, strict=True):
        np.testing.assert_array_equal(found, wanted)


@read_by_pillow
@pytest.mark.parametrize(
    "rate",
    [7, 60, *(pytest.param(rate, marks=pytest.mark.thorough) for rate in (24, 30, 50, 75, 100))],
)
def test_times_are_exact_and_do_not_drift(tmp_path: Path, rate: int) -> None:
    # Each refresh has a picture of its own: the bits of its number.
    count = 3 * rate
    stores = [
        (number * CLOCK_HZ // rate - 50 + byte, 0xA000 + byte, number >> 8 * byte & 0xFF)
        for number in range(1, count)
        for byte in (0, 1)
    ]
    trace = record(tmp_path / "a.trace", small_board(rate), stores)
    begins: dict[str, list[float]] = {}
    for suffix in (".gif", ".apng", ".webp"):
        report = write_film(trace, tmp_path / f"a{suffix}", unit="sign")
        assert (report.refreshes, report.pictures, report.left_out) == (count, count, 0)
        pictures, times_ms = read_film(tmp_path / f"a{suffix}")
        assert len(pictures) == count
        assert float(report.duration_s) == pytest.approx(sum(times_ms) / 1000)
        begins[suffix] = [0.0, *np.cumsum(times_ms)]
    for number in range(count + 1):
        exact_ms = Fraction(1000 * number, rate)
        assert abs(begins[".gif"][number] - exact_ms) <= 5
        assert abs(begins[".webp"][number] - exact_ms) <= Fraction(1, 2)
        assert begins[".apng"][number] == pytest.approx(float(exact_ms))


@read_by_pillow
def test_256_colours_at_a_time_are_kept_and_more_are_refused_by_gif_alone(tmp_path: Path) -> None:
    colours = np.random.default_rng(3).permutation(1 << 24)[:512]
    palettes = [
        tuple((int(one) >> 16, int(one) >> 8 & 0xFF, int(one) & 0xFF) for one in part)
        for part in (colours[:256], colours[256:])
    ]
    one = replace(
        PANEL, bits_per_pixel=8, width_px=16, height_px=16, stride_bytes=16, memory_bytes=256,
        palette=palettes[0],
    )  # fmt: skip
    two = replace(one, name="sign", number=1, palette=palettes[1])
    stores = [(100 + 8 * place, 0x4000 + place, place) for place in range(256)]
    stores += [(4000 + 8 * place, 0xA000 + place, place) for place in range(256)]
    trace = record(tmp_path / "a.trace", small_board(60, one, two), stores)
    alone, both = (screens(trace, unit=unit) for unit in ("panel", None))
    assert len(np.unique(alone[-1].reshape(-1, 3), axis=0)) == 256
    assert len(np.unique(both[-1].reshape(-1, 3), axis=0)) == 513
    for suffix in (".gif", ".apng", ".webp"):
        write_film(trace, tmp_path / f"one{suffix}", unit="panel")
        np.testing.assert_array_equal(read_film(tmp_path / f"one{suffix}")[0][-1], alone[-1])
    for suffix in (".apng", ".webp"):
        write_film(trace, tmp_path / f"two{suffix}")
        np.testing.assert_array_equal(read_film(tmp_path / f"two{suffix}")[0][-1], both[-1])
    target = tmp_path / "two.gif"
    target.write_bytes(b"precious")
    with pytest.raises(InputError) as refused:
        write_film(trace, target)
    assert str(refused.value) == (
        f"{target}: found 513 colours in the picture at 16.666666666 ms; a picture of a GIF has"
        " up to 256: name an .apng or .webp, or give --unit"
    )
    assert target.read_bytes() == b"precious"
    assert not list(tmp_path.glob("*.part*"))


@pytest.mark.source("Pillow 13.0.0", part="PNG", kind="library")
def test_sequence_has_a_file_for_each_refresh(trace: Path, tmp_path: Path) -> None:
    report = write_film(trace, tmp_path / "a-%03d.png", scale=2)
    expected = screens(trace, scale=2)
    files = sorted(tmp_path.iterdir())
    assert [file.name for file in files] == [f"a-{n:03}.png" for n in range(1, 23)]
    assert report.pictures == len(files)
    for file, wanted in zip(files, expected, strict=True):
        with Image.open(file) as picture:
            np.testing.assert_array_equal(np.array(picture.convert("RGB")), wanted)


def probed(path: Path) -> dict[str, Any]:
    """Return what ffprobe says of a film's pictures."""
    command = [
        "ffprobe", "-v", "error", "-count_frames", "-show_streams", "-show_format",
        "-of", "json", str(path),
    ]  # fmt: skip
    printed = subprocess.run(command, check=True, capture_output=True, timeout=60).stdout
    found = json.loads(printed)
    (stream,) = found["streams"]
    return {**found["format"], **stream}


def drawn(path: Path, width_px: int, height_px: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """Return a film's pictures as ffmpeg decodes them, uint8[pictures, rows, columns, 3]."""
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "rawvideo", "-pix_fmt", "rgb24", "-"]
    raw = subprocess.run(command, check=True, capture_output=True, timeout=60).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, height_px, width_px, 3)


@needs_ffprobe
@pytest.mark.source("ffprobe and ffmpeg 5.1.9", part="H.264, VP9", kind="library")
@pytest.mark.parametrize(
    ("suffix", "codec", "container"),
    [(".mp4", "h264", "mov,mp4,m4a,3gp,3g2,mj2"), (".webm", "vp9", "matroska,webm")],
)
def test_video_has_each_refresh_at_its_time_in_its_colours(
    trace: Path, tmp_path: Path, suffix: str, codec: str, container: str
) -> None:
    target = tmp_path / f"a{suffix}"
    report = write_film(trace, target)
    expected = np.array(screens(trace))
    height, width = 2 * expected.shape[1], 2 * expected.shape[2]
    found = probed(target)
    assert (found["codec_name"], found["pix_fmt"], found["format_name"]) == (
        codec, "yuv420p", container,
    )  # fmt: skip
    assert (found["width"], found["height"]) == (report.width_px, report.height_px)
    assert (report.width_px, report.height_px) == (width, height)
    assert (found["r_frame_rate"], found["color_space"]) == ("60/1", "bt709")
    assert int(found["nb_read_frames"]) == report.pictures == len(expected) == 22
    assert float(found["duration"]) == pytest.approx(22 / 60, abs=0.001)
    # The mean of each square of two by two pixels, which have one colour; losses stay small.
    pixels = drawn(target, width, height).astype(float)
    means = pixels.reshape(len(expected), height // 2, 2, width // 2, 2, 3).mean(axis=(2, 4))
    signal_to_noise_db = 10 * np.log10(255**2 / ((means - expected) ** 2).mean())
    assert signal_to_noise_db > 38


@needs_ffprobe
@pytest.mark.source("ffprobe 5.1.9", part="GIF, APNG", kind="library")
@pytest.mark.parametrize("suffix", [".gif", ".apng"])
def test_ffprobe_counts_the_same_pictures(trace: Path, tmp_path: Path, suffix: str) -> None:
    report = write_film(trace, tmp_path / f"a{suffix}")
    found = probed(tmp_path / f"a{suffix}")
    assert int(found["nb_read_frames"]) == report.pictures
    assert (found["width"], found["height"]) == (report.width_px, report.height_px)


@needs_ffprobe
@pytest.mark.source("ffprobe 5.1.9", part="H.264 of odd size", kind="library")
def test_picture_of_odd_height_gets_a_row_more(trace: Path, tmp_path: Path) -> None:
    report = write_film(trace, tmp_path / "a.mp4", unit="sign", scale=1)
    assert (report.width_px, report.height_px) == (16, 4)
    found = probed(tmp_path / "a.mp4")
    assert (found["width"], found["height"]) == (16, 4)
