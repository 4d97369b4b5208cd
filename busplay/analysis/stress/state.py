"""The state of a sweep: a file with a line for each finished point, to go on from.

Its first line identifies the run: a digest of all that they depend on, and names for
people. Each point is written and flushed before the next begins.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path

from busplay.analysis.stress.trials import PointResult
from busplay.errors import InputError, OutputError

FORMAT = "busplay stress 2"
POINTS_MOST = 1_000_000


@dataclass(frozen=True, slots=True)
class StateHead:
    """The head of a state file: its run.

    Attributes:
        board, link, load: names.
        frames: that the load sends in a trial.
        stores_lost_at_sender: stores that found the sender FIFO full before.
        seed: random seed.
        points: points of the run, the board as it is included.
    """

    board: str
    link: str
    load: str
    frames: int
    stores_lost_at_sender: int
    seed: int
    points: int

    def __post_init__(self) -> None:
        names = (self.board, self.link, self.load)
        counts = (self.frames, self.stores_lost_at_sender, self.seed, self.points)
        if not all(isinstance(one, str) for one in names):
            raise TypeError("names are text")
        if not all(isinstance(one, int) and one >= 0 for one in counts):
            raise TypeError("counts are whole numbers")


@dataclass(frozen=True, slots=True)
class StressState:
    """What is in a state file.

    Attributes:
        digest: of the run.
        head: of the run; None in a file of an early version.
        points: the finished points by number; 0 is the board as it is.
    """

    digest: str
    head: StateHead | None
    points: Mapping[int, PointResult]


def open_state(
    path: Path, digest: str, head: StateHead, stack: ExitStack
) -> tuple[dict[int, PointResult], Callable[[int, PointResult], None]]:
    """Open a state file: the points that an earlier run finished, and what adds another.

    A last line that was cut is left out. Each line is with the operating system before the next
    point begins.

    Args:
        path: of the file; made where it is not there.
        digest: of all that results depend on.
        head: of the run, for a new file.
        stack: closes the file.

    Raises:
        InputError: the state is of another run, or the file is no state.
        OutputError: it cannot be written.
    """
    if path.exists() and not path.is_file():
        raise _foreign(path, "no regular file")
    try:
        stream = stack.enter_context(path.open("a+b"))
        stream.seek(0)
        content = stream.read()
    except OSError as error:
        raise _refusal(path, error) from error
    # Without its end of line the last one may be cut, even where it reads.
    *whole, cut = content.split(b"\n")
    if cut.strip() and not whole:
        raise _foreign(path, "no state of a sweep")
    found: dict[int, PointResult] = {}
    if whole:
        was_digest, _ = _parse_head(path, whole[0])
        if was_digest != digest:
            raise InputError(
                file=str(path),
                found="the state of another run",
                wanted="give its load, board, faults, points, effort and seed, or another --state"
                " file",
            )
        found = _parse_points(path, whole[1:], head.points)

    def write(line: dict[str, object]) -> None:
        try:
            stream.write(json.dumps(line).encode() + b"\n")
            stream.flush()
        except OSError as error:
            raise _refusal(path, error) from error

    stream.truncate(len(content) - len(cut))
    if not whole:
        write({"format": FORMAT, "run": digest, "about": asdict(head)})
    return found, lambda index, result: write({"point": index, "result": asdict(result)})


def read_state(path: Path) -> StressState:
    """Read a state file, whatever run it is of; a last line that was cut is left out.

    Raises:
        InputError: it cannot be read, or is no state.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(
            file=str(path),
            found=(error.strerror or str(error)).lower(),
            wanted="name a file that stress --state wrote",
        ) from error
    *whole, _ = content.split(b"\n")
    if not whole:
        raise _foreign(path, "no state of a sweep")
    digest, head = _parse_head(path, whole[0])
    points = POINTS_MOST if head is None else head.points
    return StressState(digest, head, _parse_points(path, whole[1:], points))


def is_state(first_bytes: bytes) -> bool:
    """Return whether a file begins as a state does."""
    return first_bytes.startswith(b'{"format": "busplay stress ')


def _parse_head(path: Path, line: bytes) -> tuple[str, StateHead | None]:
    """Return the run's digest and head; no head in a file of an early version."""
    try:
        row = json.loads(line)
        digest, about = row["run"], row.get("about")
        if row["format"] != FORMAT or not isinstance(digest, str):
            raise ValueError("another format")
        head = None if about is None else StateHead(**about)
        if head is not None and not 0 < head.points <= POINTS_MOST:
            raise ValueError("no such count")
        return digest, head
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise _foreign(path, "no state of a sweep") from None


def _parse_points(path: Path, lines: Sequence[bytes], points: int) -> dict[int, PointResult]:
    found: dict[int, PointResult] = {}
    for number, line in enumerate(lines, start=2):
        try:
            row = json.loads(line)
            index = row["point"]
            if not isinstance(index, int) or not 0 <= index < points:
                raise ValueError("no such point")
            found[index] = PointResult.from_figures(row["result"])
        except (ValueError, TypeError, KeyError, RecursionError):
            raise InputError(
                file=str(path),
                place=f"line {number}",
                found="no result of a point",
                wanted="take the line out; its point is then computed anew",
            ) from None
    return found


def _foreign(path: Path, found: str) -> InputError:
    return InputError(
        file=str(path),
        found=found,
        wanted="name a file that is not there yet, or one that a sweep wrote",
    )


def _refusal(path: Path, error: OSError) -> OutputError:
    return OutputError(
        file=str(path),
        found=(error.strerror or str(error)).lower(),
        wanted="the state of the sweep cannot be written there; name another file",
    )
