"""Write what implements a link or a board to a folder, and change nothing that people changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from busplay.description.board import Board
from busplay.description.link import Link
from busplay.emission.c_files import c_files
from busplay.emission.datasheet.sheet import sheet_files
from busplay.emission.emission import Emission
from busplay.emission.header_files import header_files, no_headers_reason
from busplay.emission.model import LinkModel, link_model
from busplay.emission.names import find_lines
from busplay.emission.proof.firmware import TargetFigures, prove_firmware
from busplay.emission.proof.logic import prove_logic
from busplay.emission.proof.synthesis import LogicFigures, synthesize
from busplay.emission.proof.tools import Proof
from busplay.emission.rendering import RenderedFile, is_as_emitted
from busplay.emission.units import no_stores_reason
from busplay.emission.vector_files import vector_files
from busplay.emission.vectors import vectors
from busplay.emission.verilog_files import no_verilog_reason, verilog_files
from busplay.errors import InputError, OutputError
from busplay.link.load import as_link_and_board
from busplay.link.rules import require_sound
from busplay.whole_file import no_way_to_write, write_whole_file


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """A file of an emission.

    Attributes:
        path: within the folder.
        file_bytes: its length.
        changed: it was written; False: it was there and says the same.
    """

    path: str
    file_bytes: int
    changed: bool


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What cannot be made of a description.

    Attributes:
        part: what.
        reason: why not.
    """

    part: str
    reason: str


@dataclass(frozen=True, slots=True)
class EmitReport:
    """What was written, and what tools say of it.

    Attributes:
        link, board: names; `board` None for a link alone.
        folder: where the files are.
        wire_digest: digest of the wire format; it stands in every file.
        files: in the order in which they were written.
        left_out: what cannot be made.
        proofs: what compilers and checkers say; nothing where none was asked for.
        firmware: sizes and cycles of the firmware by target; nothing likewise.
        logic: cells and clock of the logic by module; nothing likewise.
    """

    link: str
    board: str | None
    folder: Path
    wire_digest: str
    files: tuple[WrittenFile, ...]
    left_out: tuple[LeftOut, ...]
    proofs: tuple[Proof, ...]
    firmware: tuple[TargetFigures, ...]
    logic: tuple[LogicFigures, ...]

    @property
    def is_proved(self) -> bool:
        """No proof has failed; those that were not run count for nothing."""
        return all(one.status != "failed" for one in self.proofs)


@dataclass(frozen=True, slots=True)
class Part:
    """Files that are emitted together.

    Attributes:
        meaning: what they are.
        files: makes them.
        reason: returns why they cannot be made; None: they can.
        has_vectors: they hold test vectors, which are made only then.
    """

    meaning: str
    files: Callable[[Emission], Iterable[RenderedFile]]
    reason: Callable[[LinkModel], str | None] = lambda _: None
    has_vectors: bool = False


PARTS = {
    "c": Part("firmware in C99", c_files, has_vectors=True),
    "verilog": Part("logic in Verilog-2005", verilog_files, no_verilog_reason, has_vectors=True),
    "vectors": Part("test vectors", vector_files, has_vectors=True),
    "headers": Part("addresses of a board, for ca65 and cc65", header_files, no_headers_reason),
    "datasheet": Part("a data sheet in HTML and Markdown", sheet_files),
}


# What has proofs, or states what came of them.
PROVED = frozenset({"c", "verilog", "datasheet"})


def emit(
    described: Link | Board | str | Path,
    folder: str | Path,
    *,
    only: Sequence[str] = (),
    overwrite: bool = False,
    prove: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> EmitReport:
    """Write firmware, logic, test vectors, headers and a data sheet of a link or a board.

    The same description gives the same bytes. Nothing is written if a file in its place was
    changed since it was emitted, or is somebody else's.

    Args:
        described: a link or board, its file, or the name of a shipped one.
        folder: made if it is not there.
        only: names of `PARTS`; all by default.
        overwrite: replace files that were changed, too.
        prove: compile, check and run the firmware, and prove the logic, with the tools that are
            installed; the data sheet then has the firmware's sizes and cycles, and the logic's
            cells and clock.
        progress: called with the count of steps that are done, and of all steps.

    Raises:
        DescriptionError: the file cannot be read, or describes no sound link.
        InputError: a part of `only` has no such name, or cannot be made.
        OutputError: a file was changed since, or cannot be written.

    >>> import busplay
    >>> report = busplay.emit("guarded", "firmware", only=["c"])
    >>> report.wire_digest, report.files[0].path
    ('b040f2957dab965f', 'c/guarded_link.h')
    """
    names = _parts_named(only)
    link, board = as_link_and_board(described)
    require_sound(link)
    model = link_model(link, board, lines=find_lines(link))
    has_vectors = prove or any(PARTS[name].has_vectors for name in names)
    emission = Emission(model, vectors(model) if has_vectors else ())
    proofs: tuple[Proof, ...] = ()
    steps = len(names) + (3 if prove else 0)
    report = progress or (lambda done, steps: None)
    left_out: list[LeftOut] = []
    if prove and not PROVED.intersection(names):
        left_out.append(LeftOut("proofs", f"none of {', '.join(sorted(PROVED))} is emitted"))
    if prove and {"c", "datasheet"}.intersection(names):
        proofs, firmware = prove_firmware(model, tuple(c_files(emission)))
        emission = replace(emission, firmware=firmware)
        report(1, steps)
    if prove and {"verilog", "datasheet"}.intersection(names) and no_verilog_reason(model) is None:
        sources = tuple(verilog_files(emission))
        proofs += prove_logic(model, (*sources, *vector_files(emission)))
        report(2, steps)
        more, logic = synthesize(model, sources)
        proofs += more
        emission = replace(emission, logic=logic)
        report(3, steps)
    rendered: list[RenderedFile] = []
    for index, name in enumerate(names, steps - len(names)):
        part = PARTS[name]
        reason = part.reason(model)
        if reason is None:
            rendered += part.files(emission)
        elif only:
            raise InputError(f"{name} cannot be made: {reason}", place="--only")
        else:
            left_out.append(LeftOut(name, reason))
        report(index + 1, steps)
    display_reason = no_stores_reason(model)
    if "c" in names and display_reason is not None:
        left_out.append(LeftOut("display of c", display_reason))
    return EmitReport(
        link=link.name,
        board=board.name if board else None,
        folder=Path(folder),
        wire_digest=model.wire_digest,
        files=_write(Path(folder), rendered, overwrite=overwrite),
        left_out=tuple(left_out),
        proofs=proofs,
        firmware=emission.firmware,
        logic=emission.logic,
    )


def _parts_named(only: Sequence[str]) -> tuple[str, ...]:
    """Return the names of parts, in the order of `PARTS`.

    Raises:
        InputError: there is no such part.
    """
    for name in only:
        if name not in PARTS:
            raise InputError(place="--only", found=name, wanted=f"give any of {', '.join(PARTS)}")
    return tuple(name for name in PARTS if not only or name in only)


def _write(
    folder: Path, rendered: Sequence[RenderedFile], *, overwrite: bool
) -> tuple[WrittenFile, ...]:
    """Write the files that are not there yet as they should be; first look at all of them."""
    written = []
    for one in rendered:
        changed = _must_be_written(folder / one.path, one.content, overwrite=overwrite)
        written.append(WrittenFile(str(one.path), len(one.content), changed))
    for one, row in zip(rendered, written, strict=True):
        path = folder / one.path
        if row.changed:
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise no_way_to_write(path.parent, error) from error
            write_whole_file(path, one.content)
    return tuple(written)


def _must_be_written(path: Path, content: bytes, *, overwrite: bool) -> bool:
    """Return whether a file differs from what it should be.

    Raises:
        OutputError: it is not ours, or was changed, and must not be replaced.
    """
    try:
        there = path.read_bytes()
    except FileNotFoundError:
        return True
    except OSError as error:
        raise no_way_to_write(path, error) from error
    if there == content:
        return False
    if not overwrite and not is_as_emitted(there):
        raise OutputError(
            file=str(path),
            found="a file that was changed since it was emitted, or that was not emitted",
            wanted="give another folder, or --overwrite to lose what is in it",
        )
    return True
