"""Films: which refreshes they have, what is joined or left out, what is refused."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import busplay.export.film
from busplay.display.arrangement import IndexedPicture
from busplay.errors import InputError, OutputError
from busplay.export.film import write_film
from tests.export.films import (
    PANEL_SMALL,
    SIGN_SMALL,
    at_times,
    flashing,
    moving,
    read_film,
    record,
    screens,
    small_board,
)

STILL = [(100, 0xA000, 0xFF)]
# 0.2 s of nothing, then one more change.
LATE = [*STILL, (200_000, 0xA001, 0x81)]


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    return record(tmp_path / "a.trace", small_board(50), moving(200_000))


@pytest.mark.parametrize(
    ("from_ps", "to_ps", "first", "stop"),
    [
        (None, None, 0, 11),
        (0, 10**12, 0, 11),
        (20_000_000_000, 60_000_000_000, 1, 3),
        (20_000_000_001, 60_000_000_001, 2, 4),
        (None, 1, 0, 1),
        (190_000_000_000, None, 10, 11),
    ],
)
def test_part_has_the_refreshes_from_its_beginning_up_to_its_end(
    trace: Path, tmp_path: Path, from_ps: int | None, to_ps: int | None, first: int, stop: int
) -> None:
    report = write_film(trace, tmp_path / "a.apng", from_ps=from_ps, to_ps=to_ps)
    expected = screens(trace)[first:stop]
    assert report.refreshes == stop - first == len(expected)
    assert report.duration_s == Fraction(stop - first, 50)
    pictures, times_ms = read_film(tmp_path / "a.apng")
    moments_ms = [20 * number + 10.0 for number in range(stop - first)]
    np.testing.assert_array_equal(at_times(pictures, times_ms, moments_ms), expected)


@pytest.mark.parametrize(
    ("from_ps", "to_ps", "message"),
    [
        (10**12, None, "--from: found 1 s; the recording goes from 0 to 199.5"),
        (-1, None, "--from: found -1 ps; the recording goes from 0 to 199.5"),
        (
            25_000_000_000,
            40_000_000_000,
            "--to: found a part from 25 ms to 40 ms; no refresh is in it; the board has 50 in a"
            " second",
        ),
        (None, 0, "--to: found a part from 0 to 0; no refresh is in it"),
    ],
)
def test_part_without_a_refresh_is_refused(
    trace: Path, tmp_path: Path, from_ps: int | None, to_ps: int | None, message: str
) -> None:
    with pytest.raises(InputError) as refused:
        write_film(trace, tmp_path / "a.gif", from_ps=from_ps, to_ps=to_ps)
    assert message in str(refused.value)
    assert not (tmp_path / "a.gif").exists()


@pytest.mark.parametrize("suffix", [".gif", ".apng", ".webp"])
def test_equal_pictures_in_a_row_are_one(tmp_path: Path, suffix: str) -> None:
    trace = record(tmp_path / "a.trace", small_board(50), LATE)
    report = write_film(trace, tmp_path / f"a{suffix}")
    assert (report.refreshes, report.pictures, report.left_out) == (12, 3, 0)
    pictures, times_ms = read_film(tmp_path / f"a{suffix}")
    assert times_ms == [20, 200, 20]
    np.testing.assert_array_equal(pictures[2], screens(trace)[11])


@pytest.mark.thorough
@pytest.mark.parametrize(("suffix", "most_ms"), [(".gif", 655_350), (".apng", 6_553.5)])
def test_picture_that_stands_longer_than_a_form_can_say_is_repeated(
    tmp_path: Path, suffix: str, most_ms: float
) -> None:
    rate = 1 if suffix == ".gif" else 10_000
    wait = 700_000_000 if suffix == ".gif" else 7_000_000
    board = small_board(rate)
    trace = record(tmp_path / "a.trace", board, [(100, 0xA000, 1), (wait, 0xA000, 2)])
    report = write_film(trace, tmp_path / f"a{suffix}", unit="sign")
    pictures, times_ms = read_film(tmp_path / f"a{suffix}")
    assert report.pictures == len(pictures)
    assert max(times_ms) == most_ms
    assert sum(times_ms) == pytest.approx(1000 * float(report.duration_s))
    assert sum(times_ms) == pytest.approx(1000 * report.refreshes / rate)
    np.testing.assert_array_equal(pictures[-2], pictures[-3])
    assert (pictures[-1] != pictures[-2]).any()


def test_of_two_pictures_in_a_hundredth_of_a_second_gif_keeps_the_later(tmp_path: Path) -> None:
    rate = 400
    stores = [(2_500 * number - 100, 0xA000, number) for number in range(1, 41)]
    trace = record(tmp_path / "a.trace", small_board(rate), stores)
    report = write_film(trace, tmp_path / "a.gif", unit="sign")
    assert (report.refreshes, report.pictures, report.left_out) == (41, 11, 30)
    assert report.brief == 11
    pictures, times_ms = read_film(tmp_path / "a.gif")
    assert times_ms == [10] * 11
    expected = screens(trace, unit="sign")
    # Refreshes are 2.5 ms apart, and half a hundredth is rounded up.
    last = [1, *range(5, 41, 4), 40]
    for found, number in zip(pictures, last, strict=True):
        np.testing.assert_array_equal(found, expected[number])


def test_sequence_mixes_with_no_file_that_is_there(trace: Path, tmp_path: Path) -> None:
    (tmp_path / "a-3.png").write_bytes(b"mine")
    with pytest.raises(OutputError) as refused:
        write_film(trace, tmp_path / "a-%d.png")
    assert str(refused.value) == (
        f"{tmp_path}/a-%d.png: found 1 file of such a name, a-3.png first; give another name, or"
        " remove them"
    )
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a-3.png", "a.trace"]


def test_sequence_that_ends_early_leaves_no_file(trace: Path, tmp_path: Path) -> None:
    def stop(done: int, total: int) -> None:
        if done == 5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_film(trace, tmp_path / "a-%d.png", progress=stop)
    assert [one.name for one in tmp_path.iterdir()] == ["a.trace"]


@pytest.mark.parametrize("suffix", [".gif", ".apng", ".webp", ".mp4", ".webm"])
def test_film_that_ends_early_leaves_what_was_there(
    trace: Path, tmp_path: Path, suffix: str
) -> None:
    def stop(done: int, total: int) -> None:
        assert total == 11
        if done == 5:
            raise KeyboardInterrupt

    target = tmp_path / f"a{suffix}"
    target.write_bytes(b"precious")
    with pytest.raises(KeyboardInterrupt):
        write_film(trace, target, progress=stop)
    assert target.read_bytes() == b"precious"
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted(["a.trace", target.name])


@pytest.mark.parametrize(
    ("suffix", "module", "name"),
    [
        (".gif", "PIL", "Pillow"),
        (".webp", "PIL", "Pillow"),
        (".mp4", "imageio_ffmpeg", "imageio-ffmpeg"),
        (".webm", "imageio_ffmpeg", "imageio-ffmpeg"),
    ],
)
def test_missing_package_is_named_with_its_extra(
    trace: Path, monkeypatch: pytest.MonkeyPatch, suffix: str, module: str, name: str
) -> None:
    found = busplay.export.film.find_spec
    monkeypatch.setattr(
        busplay.export.film, "find_spec", lambda one: None if one == module else found(one)
    )
    target = trace.with_name(f"a{suffix}")
    with pytest.raises(InputError) as refused:
        write_film(trace, target)
    assert str(refused.value) == (
        f"{target}: found no {name}, which writes {suffix}; name an .apng file, or install it"
        " with: pip install 'busplay[film]'"
    )
    assert not target.exists()
    assert write_film(trace, target.with_suffix(".apng")).refreshes == 11


def test_picture_too_large_for_a_form_is_refused(tmp_path: Path) -> None:
    wide = replace(PANEL_SMALL, width_px=1024, stride_bytes=512, memory_bytes=4096)
    trace = record(tmp_path / "a.trace", small_board(50, wide, SIGN_SMALL), STILL)
    with pytest.raises(InputError) as refused:
        write_film(trace, tmp_path / "a.webp", scale=16)
    assert str(refused.value) == (
        f"{tmp_path}/a.webp: found pictures of 16,832 by 160 pixels; it holds up to 16,383: give a"
        " smaller --scale, or --unit"
    )


def test_video_that_lacks_pictures_is_not_taken_for_whole(
    trace: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import imageio_ffmpeg

    monkeypatch.setattr(imageio_ffmpeg, "count_frames_and_secs", lambda path: (9, 0.2))
    with pytest.raises(OutputError) as refused:
        write_film(trace, tmp_path / "a.mp4")
    assert str(refused.value) == (
        f"{tmp_path}/a.mp4: found 9 of 11 pictures that ffmpeg wrote; give a place with more room,"
        " or another form, such as .apng"
    )
    assert [one.name for one in tmp_path.iterdir()] == ["a.trace"]


def test_compact_picture_has_each_of_its_colours_once() -> None:
    palette = np.array([[9, 9, 9], [1, 2, 3], [7, 7, 7], [1, 2, 3], [0, 0, 0]], np.uint8)
    picture = IndexedPicture(np.array([[1, 3], [4, 1]], np.uint32), palette)
    compact = picture.compact()
    assert compact.palette.tolist() == [[0, 0, 0], [1, 2, 3]]
    np.testing.assert_array_equal(compact.image(), picture.image())


def test_flashing_is_reported_with_its_seconds_and_its_area(tmp_path: Path) -> None:
    trace = record(tmp_path / "a.trace", small_board(60), flashing())
    for suffix in (".apng", ".gif", ".webm"):
        (span,) = write_film(trace, tmp_path / f"a{suffix}", unit="sign").flashes.general
        # Eight changes a second, in pictures 61, 68, 76 and so on. The eighth is in picture 113,
        # and up to picture 180 eight are within a second.
        assert (span.start_s, span.stop_s) == (Fraction(54, 60), Fraction(181, 60))
        # On 1024 by 768 pixels the sign is shown 64 times as large: a field has 5 by 4 pixels,
        # and the sign is three pixels high.
        assert (span.flashes, span.field_ratio) == (4, 15 / 20)
        assert (span.left_px, span.top_px, span.width_px, span.height_px) == (0, 0, 16, 3)
    # On a screen four times as high a field has 5 by 16 pixels.
    high = write_film(trace, tmp_path / "d.apng", unit="sign", screen_px=(1024, 4 * 768))
    assert high.flashes.is_below
    report = write_film(trace, tmp_path / "b.apng", unit="sign", to_ps=1_900_000_000_000)
    assert report.flashes.general[0].stop_s == Fraction(114, 60)
    assert write_film(trace, tmp_path / "c.apng", unit="panel").flashes.is_below
