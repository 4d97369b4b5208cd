"""The shipped programs by name, and where their files are.

In an installed package they lie in this folder; in a checkout, in the project's `roms` and
`traces`. All of them belong to the Dunlin board, with ports or without, and all of it is made up.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from busplay.errors import InputError

_HERE = Path(__file__).parent
_CHECKOUT = _HERE.parent.parent


@dataclass(frozen=True, slots=True)
class DemoProgram:
    """A shipped program: its name, what it shows, how long its shipped trace is.

    Attributes:
        cycles: how long a headless demo runs, so that something is to be seen.
        board: the shipped board that it is for.
    """

    name: str
    shows: str
    cycles: int
    board: str = "dunlin"

    @property
    def image_path(self) -> Path:
        """The binary, 16 KiB from $C000 on."""
        return shipped_file("roms", f"{self.name}.bin")


PORTS_BOARD = "dunlin_ports"
NOTICE_BOARD = "dunlin_notice"
DEMO_PROGRAMS: dict[str, DemoProgram] = {
    program.name: program
    for program in (
        DemoProgram("tides", "the sea at a small museum, birds, and its tide sign", 4_000_000),
        DemoProgram("waves", "interfering waves in C, 32-bit fixed point: slow", 20_000_000),
        DemoProgram("stars", "a flight through stars", 2_000_000),
        DemoProgram("rule30", "the cellular automaton rule 30", 8_000_000),
        DemoProgram("keys", "a bird that arrow keys steer; Escape ends it", 2_000_000),
        DemoProgram("clock", "a lookout's clock, by a timer's interrupt", 16_000_000, PORTS_BOARD),
        DemoProgram("log", "a harbour's log, over a serial console", 4_000_000, PORTS_BOARD),
        DemoProgram("notice", "a tide office's notice board, in text", 24_000_000, NOTICE_BOARD),
        DemoProgram("fill", "clearing a screen in two ways, timed by itself", 62_000_000),
    )
}


def shipped_file(folder: str, name: str) -> Path:
    """Find a shipped file of `roms` or `traces`.

    Raises:
        InputError: the installation lacks it.
    """
    for root in (_HERE, _CHECKOUT):
        path = root / folder / name
        if path.is_file():
            return path
    raise InputError(
        file=name, found="no such file in this installation", wanted="install busplay again"
    )


def program_path(program: str | Path) -> Path:
    """Return the path of a program: a file's own, or that of a shipped program.

    A bare name that no file in the current folder has, such as `tides.bin` or `tides`, means the
    shipped program.

    Raises:
        InputError: the installation lacks it.
    """
    path = Path(program)
    shipped = DEMO_PROGRAMS.get(path.name.removesuffix(".bin"))
    if shipped is None or path.parent != Path() or path.exists():
        return path
    return shipped.image_path


def find_demo(name: str) -> DemoProgram:
    """Return the shipped program of that name.

    Raises:
        InputError: there is none.
    """
    try:
        return DEMO_PROGRAMS[name]
    except KeyError:
        raise InputError(
            found=f"demo {name!r}", wanted=f"there are {', '.join(DEMO_PROGRAMS)}"
        ) from None
