"""Files that are watched and built: what is a change, and that builds do not follow for ever."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from busplay.cli.source_watch import SourceChange, SourceWatch
from busplay.errors import InputError
from tests.cli.test_watch import PATIENCE_S, save

pytestmark = pytest.mark.thorough
# By then news of every change has come, many times over.
LONG_S = 1


@contextmanager
def watching(
    folder: Path, *files: str, build: str | None = None, ignored: tuple[Path, ...] = ()
) -> Iterator[SourceWatch]:
    """Watch files, once it is known that they are watched."""
    with SourceWatch(build=build, folder=folder, ignored=ignored) as watch:
        assert watch.build() == ""
        # A first change is seen, however soon it comes.
        watch.begin([folder / "first"])
        (folder / "first").write_text("")
        assert wait(watch) == SourceChange("", True)
        watch.begin([folder / one for one in files])
        time.sleep(LONG_S)
        watch.take()
        yield watch


def wait(watch: SourceWatch) -> SourceChange:
    """Wait for a change, but not for ever."""
    deadline = time.monotonic() + PATIENCE_S
    while (found := watch.take()) is None:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    return found


def stays_quiet(watch: SourceWatch) -> bool:
    time.sleep(LONG_S)
    return not watch.has_changed


def test_file_that_is_written_renamed_removed_or_made_is_a_change(tmp_path: Path) -> None:
    one, two, other = tmp_path / "one", tmp_path / "two", tmp_path / "other"
    one.write_text("1")
    with watching(tmp_path, "one", "two") as watch:
        for change in (
            lambda: one.write_text("2"),
            lambda: save(one, b"3"),
            one.unlink,
            lambda: two.write_text(""),
        ):
            change()
            assert wait(watch) == SourceChange("", True)
            watch.begin([one, two])
        two.touch()
        save(two, b"")
        other.write_text("4")
        assert stays_quiet(watch)


def test_change_before_the_watch_has_begun_is_not_missed(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    with watching(tmp_path, "one") as watch:
        watch.begin([elsewhere / "one"])
        (elsewhere / "one").write_text("1")
        assert wait(watch) == SourceChange("", True)


def test_folder_that_is_removed_and_made_anew_is_watched_again(tmp_path: Path) -> None:
    """As `make clean` and `make` in another terminal do."""
    folder = tmp_path / "build"
    folder.mkdir()
    (folder / "one").write_text("1")
    with watching(tmp_path, "build/one") as watch:
        for text in ("2", "3"):
            shutil.rmtree(folder)
            assert wait(watch) == SourceChange("", True)
            watch.begin([folder / "one"])
            time.sleep(LONG_S)
            folder.mkdir()
            time.sleep(LONG_S)
            (folder / "one").write_text(text)
            assert wait(watch) == SourceChange("", True)
            watch.begin([folder / "one"])


def test_failure_to_watch_is_told_and_passes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import watchfiles

    right = watchfiles.watch

    def wrong(*_: object, **__: object) -> None:
        monkeypatch.setattr(watchfiles, "watch", right)
        raise OSError("too many folders")

    monkeypatch.setattr(watchfiles, "watch", wrong)
    with SourceWatch(build=None, folder=tmp_path) as watch:
        watch.begin([tmp_path / "one"])
        assert wait(watch) == SourceChange("Files cannot be watched\ntoo many folders", False)
        assert wait(watch) == SourceChange("", False)
        (tmp_path / "one").write_text("")
        assert wait(watch) == SourceChange("", True)


@pytest.mark.skipif(sys.platform == "win32", reason="the builds are for a POSIX shell")
def test_build_that_writes_all_of_its_outputs_every_time_comes_to_rest(tmp_path: Path) -> None:
    work, log = tmp_path / "work", tmp_path / "log"
    work.mkdir()
    (work / "source").write_text("1")
    build = f"date +%s%N > map; cp source out; rm -f temporary; : > temporary; echo >> '{log}'"
    with watching(work, "out", build=build) as watch:
        for text in ("2", "3", "4"):
            before = len(log.read_text())
            (work / "source").write_text(text)
            assert wait(watch) == SourceChange("", True)
            watch.begin([work / "out"])
            assert stays_quiet(watch)
            # Once for the source, and at most twice more for what may have been saved meanwhile.
            assert 1 <= len(log.read_text()) - before <= 3


@pytest.mark.skipif(sys.platform == "win32", reason="the builds are for a POSIX shell")
def test_source_that_is_saved_while_a_build_goes_on_is_built_again(tmp_path: Path) -> None:
    work, flag = tmp_path / "work", tmp_path / "flag"
    work.mkdir()
    (work / "source").write_text("1")
    build = f"cp source out; : > '{flag}'; sleep 0.5"
    with watching(work, "out", build=build) as watch:
        for first, second in (("2", "3"), ("4", "5")):
            flag.unlink()
            (work / "source").write_text(first)
            deadline = time.monotonic() + PATIENCE_S
            while not flag.exists():
                assert time.monotonic() < deadline
            save(work / "source", second.encode())
            while (work / "out").read_text() != second:
                assert wait(watch) == SourceChange("", True)
                watch.begin([work / "out"])
            time.sleep(LONG_S)


@pytest.mark.skipif(sys.platform == "win32", reason="the builds are for a POSIX shell")
def test_failing_build_is_told_once_a_save_and_its_end_too(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.write_text("1")
    build = "cp source out; : > gone; rm gone; grep -q 1 source || { echo bad; exit 1; }"
    with watching(tmp_path, "out", build=build) as watch:
        for text in ("2", "3"):
            source.write_text(text)
            assert wait(watch) == SourceChange(f"{build} failed, exit status 1\nbad", False)
            assert stays_quiet(watch)
        source.write_text("1")
        assert wait(watch) == SourceChange("", False)


def test_files_that_the_run_writes_are_no_change(tmp_path: Path) -> None:
    trace = tmp_path / "it.trace"
    with watching(tmp_path, "it.trace", ignored=(trace,)) as watch:
        trace.with_name("it.trace.part").write_text("1")
        (tmp_path / "it.trace.part").replace(trace)
        assert stays_quiet(watch)


@pytest.mark.skipif(sys.platform == "win32", reason="the builds are for a POSIX shell")
def test_end_of_the_watch_ends_the_build(tmp_path: Path) -> None:
    (tmp_path / "source").write_text("1")
    build = "test -e go || exit 0; echo >started; sleep 600"
    with watching(tmp_path, "source", build=build):
        (tmp_path / "go").write_text("")
        deadline = time.monotonic() + PATIENCE_S
        while not (tmp_path / "started").exists():
            assert time.monotonic() < deadline


def test_want_of_watchfiles_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "watchfiles", None)
    with pytest.raises(InputError) as refused:
        SourceWatch(build=None)
    assert str(refused.value) == (
        "--watch: found no watchfiles, which watches files;"
        " install it: pip install 'busplay[watch]'"
    )
