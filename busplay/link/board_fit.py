"""Checks that a link can carry a board's stores, made when a board is read or its link changed."""

from __future__ import annotations

from busplay.description.address_ranges import find_overreach
from busplay.description.board import Board, Window
from busplay.description.link import Link
from busplay.description.read_link import STORE_FIELDS
from busplay.description.toml_reader import show_string
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout


def require_link_fits(board: Board) -> Board:
    """Refuse a board whose link cannot carry its stores; return the same board.

    Raises:
        DescriptionError: the link lacks a field, a unit's number or a window's offset does not
            fit its field, or its check cannot do the correction that the receiver wants.
    """
    _require_store_fields(board)
    _require_units_told_apart(board)
    for index, window in enumerate(board.windows):
        _require_window_fits(board, window, place=f"windows[{index}]")
    if board.receiver.correct_one_bit:
        _require_correcting_check(board)
    return board


def _error(board: Board, place: str, *, found: str, wanted: str) -> DescriptionError:
    return DescriptionError(file=board.file or None, place=place, found=found, wanted=wanted)


def _require_store_fields(board: Board) -> None:
    link = board.link
    for needed in STORE_FIELDS:
        if link.field_named(needed) is None:
            raise _error(
                board,
                "link",
                found=show_string(link.name),
                wanted=f"a board's stores need a field named {needed}, which that link lacks; add "
                "it or take another link",
            )


def _require_units_told_apart(board: Board) -> None:
    link = board.link
    field = link.field_named("unit")
    if field is None and len(board.units) > 1:
        raise _error(
            board,
            f"units.{board.units[1].name}",
            found="a second unit",
            wanted=f"link {link.name} has no field named unit to tell two apart, so give it one "
            "or keep one unit",
        )
    for unit in board.units:
        if field is None:
            last, wanted = 0, f"give 0 (link {link.name} has no field named unit)"
        else:
            last = (1 << field.bits) - 1
            wanted = (
                f"give a whole number from 0 to {last}, which the {field.bits} bits of unit on "
                f"link {link.name} hold"
            )
        if unit.number > last:
            place = f"units.{unit.name}.number"
            raise _error(board, place, found=str(unit.number), wanted=wanted)


def _require_window_fits(board: Board, window: Window, *, place: str) -> None:
    link = board.link
    if window.space == "registers" and link.field_named("space") is None:
        raise _error(
            board,
            f"{place}.space",
            found='"registers"',
            wanted=f"link {link.name} has no field named space, so all its frames go to memory; "
            "give it one or drop the window",
        )
    wrong = find_overreach(
        window,
        last_offset=(1 << _address_bits(link)) - 1,
        holder=f"the {_address_bits(link)} bits of address on link {link.name} end",
    )
    if wrong is not None:
        place = f"{place}.{wrong.key}" if wrong.key else place
        raise _error(board, place, found=wrong.found, wanted=wrong.wanted)


def _address_bits(link: Link) -> int:
    field = link.field_named("address")
    return field.bits if field else 0


def _require_correcting_check(board: Board) -> None:
    """Refuse correction by a check that cannot locate a single bit error."""
    link = board.link
    place = "receiver.correct_one_bit"
    if link.check is None:
        raise _error(
            board,
            place,
            found="true",
            wanted=f"link {link.name} has no check to correct by, so say false",
        )
    marks = FrameLayout(link).syndrome_columns
    if 0 in marks or len(set(marks)) < len(marks):
        raise _error(
            board,
            place,
            found="true",
            wanted=f"the check {link.check.kind} cannot locate an error in {link.frame_bits} bits, "
            "so say false or give the link a stronger check",
        )
