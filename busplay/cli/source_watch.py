"""The files that a run is made of: watched, and built again when a source changes.

How to think about it. Watchfiles tells in threads of its own that something in a folder has
changed; editors save by renaming, so folders are watched, not files. That only wakes the thread
here, which builds, and then compares what the files hold with what the present run was made of: a
file that was touched is no change.

A build changes files, too, and that must not begin another for ever. A file that changed while a
build went on may be a source that somebody saved meanwhile, so one more build takes it in; a file
that changes in that one again is an output, and is known from then on. When a file changed says the
file itself, as news of it may be late.
"""

from __future__ import annotations

import hashlib
import os
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Collection, Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from busplay.errors import InputError, printable
from busplay.units import NS_PER_S

# Long enough that a linker's many writes are one change, short enough that nobody waits.
STEP_MS = 50
TIMEOUT_MS = 200
RETRY_S = 1
# Some file systems round a file's time down by so much.
COARSE_NS = 2 * NS_PER_S
OUTPUT_BYTES_MOST = 1 << 16

Contents = dict[Path, bytes | None]


@dataclass(frozen=True, slots=True)
class SourceChange:
    """What a change has come to.

    Attributes:
        error: why there is nothing to run, in lines; empty: the build went well.
        is_new: whether the files hold something else than when the present run began.
    """

    error: str
    is_new: bool


class SourceWatch:
    """Watches the files of a run, and builds them; use it as a context.

    Args:
        build: command for the shell; None: nothing is built.
        folder: with the sources of the build; it is watched with all that is below it.
        ignored: files that the run itself writes.

    Raises:
        InputError: watchfiles is not installed.
    """

    def __init__(
        self, *, build: str | None, folder: Path = Path(), ignored: Iterable[Path] = ()
    ) -> None:
        try:
            import watchfiles  # noqa: F401 - loaded here, so that a want of it is told at once
        except ImportError:
            raise InputError(
                place="--watch",
                found="no watchfiles, which watches files",
                wanted="install it: pip install 'busplay[watch]'",
            ) from None
        self._command = build
        self._folder = folder.resolve()
        self._ignored = {one.resolve() for one in ignored}
        self._files: frozenset[Path] = frozenset()
        self._contents: Contents = {}
        self._outputs: set[Path] = set()
        self._seen: dict[Path, int | None] = {}
        self._during: set[Path] = set()
        self._during_before: set[Path] = set()
        self._build_began_ns = self._build_ended_ns = 0
        self._builds = 0
        self._process: subprocess.Popen[bytes] | None = None
        self._events: queue.SimpleQueue[set[Path] | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._found: SourceChange | None = None
        self._error = ""
        self._failure = ""
        self._is_found = threading.Event()
        self._closed = threading.Event()
        self._moved = threading.Event()
        self._threads = [
            threading.Thread(target=self._watch_files, daemon=True),
            threading.Thread(target=self._work, daemon=True),
        ]
        if build is not None:
            self._threads.append(threading.Thread(target=self._watch_folder, daemon=True))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._closed.set()
        self._moved.set()
        self._events.put(None)
        if (process := self._process) is not None:
            _end(process)
        for one in self._threads:
            if one.is_alive():
                one.join()

    # -- for the thread that runs

    def build(self) -> str:
        """Build, before anything is watched; return why there is nothing to run, or nothing."""
        self._error = self._failure = self._build()
        return self._error

    def begin(self, files: Iterable[Path]) -> None:
        """Take what files hold now as what the run is made of; they are watched from now on.

        Call it before they are read, so that no change is missed. Files that are missing count.
        """
        found = frozenset(path for one in files for path in (one.absolute(), one.resolve()))
        with self._lock:
            self._contents = _contents(found)
            self._found = None
            self._is_found.clear()
            if found != self._files:
                self._files = found
                self._moved.set()
        if not self._threads[0].is_alive():
            for thread in self._threads:
                thread.start()

    def take(self) -> SourceChange | None:
        """Return the latest change that was not taken yet, or None."""
        with self._lock:
            found, self._found = self._found, None
            self._is_found.clear()
            return found

    @property
    def has_changed(self) -> bool:
        """Whether there is a change to take."""
        return self._is_found.is_set()

    def wait(self) -> SourceChange:
        """Wait for a change; Ctrl-C is heard meanwhile."""
        while True:
            # With a timeout, as some systems hear no interrupt in an endless wait.
            self._is_found.wait(1)
            if (found := self.take()) is not None:
                return found

    # -- threads

    def _watch_files(self) -> None:
        while not self._closed.is_set():
            self._moved.clear()
            with self._lock:
                folders = {one.parent for one in self._files}
            # A folder that is made anew is another one: the folder that it stands in tells.
            above = {one.parent for one in folders}
            self._notify(folders | above, self._moved, recursive=False, end_at=folders)

    def _watch_folder(self) -> None:
        while not self._closed.is_set():
            self._notify({self._folder}, self._closed, recursive=True)

    def _notify(
        self,
        folders: Collection[Path],
        stop: threading.Event,
        *,
        recursive: bool,
        end_at: Collection[Path] = (),
    ) -> None:
        """Pass changes in folders on until an event is set, or one of some folders is another."""
        from watchfiles import watch

        folders = [one for one in folders if one.is_dir()]
        if not folders:
            stop.wait()
            return
        is_first = True
        try:
            for changes in watch(
                *folders,
                step=STEP_MS,
                rust_timeout=TIMEOUT_MS,
                yield_on_timeout=True,
                stop_event=stop,
                raise_interrupt=False,
                recursive=recursive,
            ):
                changed = {Path(name) for _, name in changes}
                paths = {one for one in changed if not self._is_written_by_run(one)}
                if not recursive:
                    paths &= self._files
                # Once at first: something may have changed before it was watched.
                if paths or is_first:
                    self._events.put(paths)
                is_first = False
                if not changed.isdisjoint(end_at):
                    return
        except (OSError, RuntimeError) as error:
            # Folders that have just gone, or more of them than the system watches.
            self._fail(f"Files cannot be watched\n{printable(error)}")
            self._closed.wait(RETRY_S)

    def _fail(self, text: str) -> None:
        with self._lock:
            self._failure = text
            self._found = SourceChange(text, False)
            self._is_found.set()

    def _is_written_by_run(self, path: Path) -> bool:
        """Return whether a file is one that the run writes, or stands in for until it is whole."""
        return path in self._ignored or (
            ".part" in path.suffix and path.with_suffix("") in self._ignored
        )

    def _work(self) -> None:
        while (changed := self._events.get()) is not None:
            began = self._builds
            if self._command is not None and changed:
                is_saved, is_suspect = self._sort(changed)
                if is_saved or is_suspect:
                    self._error = self._build()
                    if self._closed.is_set():
                        return
                    self._publish(is_news=is_saved)
            if began == self._builds and not self._error:
                self._publish(is_news=False)

    def _sort(self, changed: set[Path]) -> tuple[bool, bool]:
        """Return whether a file was saved since the last build, and whether one perhaps was.

        A file that the last build had changed already, or that is known as an output, is neither.
        """
        is_saved = is_suspect = False
        for path in changed:
            changed_ns = _changed_ns(path)
            if path in self._seen and self._seen[path] == changed_ns:
                # One change is told in several parts.
                continue
            self._seen[path] = changed_ns
            if changed_ns is not None and changed_ns > self._build_ended_ns:
                is_saved = True
            elif path in self._outputs:
                continue
            elif changed_ns is not None and changed_ns < self._build_began_ns:
                is_suspect |= changed_ns >= self._build_began_ns - COARSE_NS
            elif path in self._during_before:
                self._during.add(path)
                self._outputs.add(path)
            else:
                self._during.add(path)
                is_suspect = True
        return is_saved, is_suspect

    def _publish(self, *, is_news: bool) -> None:
        """Leave what the last change has come to for `take`.

        Args:
            is_news: a failure is told even if the one before was the same.
        """
        with self._lock:
            error, is_new = self._error, _contents(self._files) != self._contents
            if (error and error == self._failure and not is_news) or not (
                error or is_new or self._failure
            ):
                return
            self._failure = error
            self._found = SourceChange(error, is_new and not error)
            self._is_found.set()

    # -- the build

    def _build(self) -> str:
        if self._command is None:
            return ""
        self._during_before, self._during = self._during, set()
        self._build_began_ns = time.time_ns()
        error = self._run_command(self._command)
        self._build_ended_ns = time.time_ns()
        self._builds += 1
        return error

    def _run_command(self, command: str) -> str:
        # Into a file: a pipe would have to be read all the time, and nobody knows its length.
        with tempfile.TemporaryFile() as output:
            self._process = subprocess.Popen(
                command,
                shell=True,
                cwd=self._folder,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
            if self._closed.is_set():
                # Whoever closed the watch may have come too early to end it.
                _end(self._process)
            status = self._process.wait()
            self._process = None
            if status == 0:
                return ""
            length = output.seek(0, 2)
            output.seek(max(0, length - OUTPUT_BYTES_MOST))
            text = output.read().decode(errors="backslashreplace")
        lines = [printable(line.expandtabs()) for line in text.splitlines()]
        return "\n".join((f"{printable(command)} failed, exit status {status}", *lines))


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a build with all that it has started."""
    if sys.platform == "win32":
        process.terminate()
        return
    # It may have ended by itself.
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGTERM)


def _contents(files: Iterable[Path]) -> Contents:
    """Return the digest of what each file holds; None where there is none."""
    return {one: _digest(one) for one in files}


def _changed_ns(path: Path) -> int | None:
    """Return when a file was written or put in its place; None: it is gone."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return max(found.st_mtime_ns, found.st_ctime_ns)


def _digest(path: Path) -> bytes | None:
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").digest()
    except (OSError, ValueError):
        return None
