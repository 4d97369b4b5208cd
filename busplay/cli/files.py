"""The files that a command reads and writes, each entered in one register.

How to think about it. A parameter that names a file has one of the types below. While click reads
the command line, each type enters its files in the register of the running command, and the
register refuses an output that is one of the inputs or another output. So all of it is settled
before the command's body runs, and a new command gets it by naming the type.

Files are identified by device and inode, so that `./T`, a symbolic and a hard link are all one
file; a file that does not exist yet is its folder and its name there. Devices and pipes hold
nothing that could be lost and are left out. A board stands for the files that it names, too, and
a program for the labels beside it.
"""

from __future__ import annotations

import os
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
from click.shell_completion import CompletionItem

from busplay.description.read_devices import IN_FILE
from busplay.errors import InputError
from busplay.whole_file import require_replaceable

FileId = tuple[int, int, str]

_META = "busplay.files"
# A description is read for the files that it names up to here; the loader refuses a longer one.
_DESCRIPTION_BYTES_MAX = 1 << 20


class FileRegister:
    """The inputs and outputs of one call of a command."""

    def __init__(self) -> None:
        self._inputs: dict[FileId, str] = {}
        self._outputs: dict[FileId, tuple[str, Path]] = {}

    def enter_input(self, path: Path | int, label: str) -> None:
        """Enter a file that is read.

        Args:
            path: its name, or a descriptor.
            label: what messages call it, such as `--expect`.

        Raises:
            InputError: an output would replace it.
        """
        found = file_id(path)
        if found is None:
            return
        self._inputs.setdefault(found, label)
        if found in self._outputs:
            raise _clash(*self._outputs[found], f"the file of {label}")

    def enter_output(self, path: Path, label: str) -> None:
        """Enter a file that is written.

        Raises:
            InputError: it is an input, or another output.
        """
        found = file_id(path)
        if found is None:
            return
        if found in self._inputs:
            raise _clash(label, path, f"the file of {self._inputs[found]}")
        if found in self._outputs:
            raise _clash(label, path, f"where {self._outputs[found][0]} writes")
        self._outputs[found] = label, path


def _clash(label: str, path: Path, what: str) -> InputError:
    return InputError(
        place=label, found=f"{path}, {what}", wanted="give another file, so that nothing is lost"
    )


def file_id(path: Path | int) -> FileId | None:
    """Return what identifies a file, whatever name or link leads to it; None: no plain file."""
    try:
        found = os.fstat(path) if isinstance(path, int) else path.stat()
    except (OSError, ValueError):
        if isinstance(path, int):
            return None
    else:
        return (found.st_dev, found.st_ino, "") if stat.S_ISREG(found.st_mode) else None
    try:
        target = path.resolve()
        folder = target.parent.stat()
    except (OSError, RuntimeError, ValueError):
        return None
    name = target.name.casefold() if _ignores_case(target.parent) else target.name
    return folder.st_dev, folder.st_ino, name


def _ignores_case(folder: Path) -> bool:
    """Return whether a file system takes names in capitals and small letters for one."""
    if not folder.name:
        return True  # a root has no other name to try, so be careful
    swapped = folder.with_name(folder.name.swapcase())
    try:
        return swapped.name != folder.name and swapped.samefile(folder)
    except OSError:
        return False


def register() -> FileRegister:
    """Return the register of the command that is running."""
    context = click.get_current_context(silent=True)
    if context is None:
        return FileRegister()
    found = context.meta.setdefault(_META, FileRegister())
    assert isinstance(found, FileRegister)
    return found


def label_of(param: click.Parameter | None) -> str:
    """Return what messages call a parameter: `--record`, `PROGRAM`."""
    if param is None:
        return "file"
    if isinstance(param, click.Option):
        return max(param.opts, key=len)
    return param.human_readable_name.strip("[]")


def complete_file(incomplete: str) -> list[CompletionItem[str]]:
    """Return what makes a shell complete the names of files."""
    return [CompletionItem(incomplete, type="file")]


class InFile(click.ParamType[Path]):
    """A file that is read.

    Args:
        dash: whether `-` means standard input.
    """

    name = "file"

    def __init__(self, *, dash: bool = False) -> None:
        self._dash = dash

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Path:
        """Enter the file, and those that belong to it.

        Raises:
            InputError: an output would replace one of them.
        """
        path = Path(os.fsdecode(value) if isinstance(value, bytes) else str(value))
        label = label_of(param)
        if self._dash and str(path) == "-":
            register().enter_input(0, label)
            return path
        self.enter(path, label)
        return path

    def enter(self, path: Path, label: str) -> None:
        """Enter a file under a label; errors as for `convert`."""
        register().enter_input(path, label)
        for other in self.beside(path):
            register().enter_input(other, label)

    def beside(self, path: Path) -> Iterator[Path]:
        """Return the files that are read along with a file."""
        yield from ()

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem[str]]:
        """Complete the names of files."""
        return complete_file(incomplete)


class InProgram(InFile):
    """A program, which brings the labels beside it along."""

    def beside(self, path: Path) -> Iterator[Path]:
        """Return the files of labels and source lines that would be found."""
        from busplay.program.debug_file import DEBUG_SUFFIX
        from busplay.program.labels import find_labels_beside

        labels = find_labels_beside(path)
        if labels is not None:
            yield labels
        if (lines := path.with_suffix(DEBUG_SUFFIX)) != labels and lines.is_file():
            yield lines


def enter_recorded_program(trace: Path) -> None:
    """Enter the program that is found beside a trace by its digest, as if it had been named.

    Raises:
        InputError: an output would replace it, or the trace cannot be read.
    """
    from busplay.run.recorded_program import recorded_program_of

    program = recorded_program_of(trace)
    if program is not None:
        InProgram().enter(program, "TRACE's program")


class Described(click.ParamType[str]):
    """A link, board or faults file, or the name of a shipped one; with the files that it names."""

    name = "file"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> str:
        """Enter the file and all that its strings name.

        Raises:
            InputError: an output would replace one of them.
        """
        from busplay.description.shipped_files import shipped_boards, shipped_links

        source = str(value)
        if source in shipped_links() or source in shipped_boards():
            return source
        path, label = Path(source), label_of(param)
        register().enter_input(path, label)
        for name, named in files_named_in(path):
            if file_id(named) is not None and named.exists():
                register().enter_input(named, f"{label} ({name})")
        return source

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem[str]]:
        """Complete the names of shipped links or boards, and those of files."""
        from busplay.description.shipped_files import BOARD_NAMES, LINK_NAMES

        kind = param.make_metavar(ctx)
        names = (LINK_NAMES if "LINK" in kind else ()) + (BOARD_NAMES if "BOARD" in kind else ())
        found = [CompletionItem(name) for name in names if name.startswith(incomplete)]
        # click's script for bash forgets what comes before a request for files, and that for zsh
        # loses count at an empty one.
        return [*complete_file(incomplete or "./"), *found]


def files_named_in(path: Path) -> Iterator[tuple[str, Path]]:
    """Return every string in a description with the file that it would name, there or not."""
    for name in _strings_of(path):
        # A device's class stands behind its file.
        of_class = IN_FILE.fullmatch(name)
        yield name, path.parent / (of_class[1] if of_class else name)


def _strings_of(path: Path) -> Iterator[str]:
    """Return every string in a TOML file; none where it cannot be read, as its loader says why."""
    try:
        if not path.is_file() or path.stat().st_size > _DESCRIPTION_BYTES_MAX:
            return
        waiting: list[object] = [tomllib.loads(path.read_text(encoding="utf-8"))]
    except (OSError, ValueError, RecursionError):
        return
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict):
            waiting += value.values()
        elif isinstance(value, list):
            waiting += value
        elif isinstance(value, str) and value:
            yield value


class OutFile(click.ParamType[Path]):
    """A file that is written.

    Args:
        suffixes: what its name may end in, such as `.png`; anything where none is given.
    """

    name = "file"

    def __init__(self, *suffixes: str) -> None:
        self._suffixes = suffixes
        if suffixes:
            self.name = "file" + "|".join(suffixes)

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """Return `FILE`, with the suffixes in small letters."""
        return "FILE" + "|".join(self._suffixes)

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Path:
        """Enter the file.

        Raises:
            InputError: it is an input or another output, its folder is not there, its name ends
                in none of the suffixes, or it is write-protected.
        """
        return self.enter(Path(str(value)), label_of(param))

    def enter(self, path: Path, label: str) -> Path:
        """Enter a file under a label; errors as for `convert`."""
        if self._suffixes and path.suffix.lower() not in self._suffixes:
            raise InputError(
                place=label,
                found=str(path),
                wanted=f"end its name in {', '.join(self._suffixes)}",
            )
        if path.is_dir():
            raise InputError(place=label, found=f"{path}, a folder", wanted="give a file's name")
        if not path.parent.is_dir():
            raise InputError(
                place=label, found=str(path), wanted=f"make the folder {path.parent} first"
            )
        register().enter_output(path, label)
        require_replaceable(path)
        return path

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem[str]]:
        """Complete the names of files."""
        return complete_file(incomplete)


class OutFolder(click.ParamType[Path]):
    """A folder for files that are written; the writer replaces none that says something else."""

    name = "folder"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> Path:
        """Refuse a file.

        Raises:
            InputError: it is none.
        """
        path = Path(str(value))
        if path.exists() and not path.is_dir():
            raise InputError(
                place=label_of(param), found=f"{path}, a file", wanted="give a folder's name"
            )
        return path

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem[str]]:
        """Complete the names of folders."""
        return [CompletionItem(incomplete, type="dir")]
