"""What `marker` framing requires: that the start pattern stands only at a frame's start.

How to think about it. The receiver searches for the pattern at every symbol. At offset k it sees
the end of one frame and the beginning of the next, so both are unknown words, and the pattern at
that place is one more set of equations (see `frame_facts`). If no offset and no pair of adjacent
frames has a solution, the marker is unique; a solution is an example of two frames that imitate it.

A frame with a store may begin with the pattern only if every frame does (a constant field): the
place would be correct, but receivers may recognise idle frames by the marker.

Not here: noise. A damaged frame can look like anything.
"""

from __future__ import annotations

from collections.abc import Iterator

from busplay.description.link import MarkerFraming
from busplay.errors import DescriptionError
from busplay.link.frame_facts import (
    Equations,
    describe_word,
    show_symbol_count,
    store_frame_cases,
    word_equations,
)
from busplay.link.framing.check import idle_rotations_that_pass, rotated
from busplay.link.gf2 import solve
from busplay.link.layout import FrameLayout


def _show(framing: MarkerFraming) -> str:
    return "[" + ", ".join(f"0x{symbol:X}" for symbol in framing.symbols) + "]"


def _frame_cases(layout: FrameLayout, *, shift: int) -> Iterator[Equations]:
    """Return the equations of any frame, idle or not."""
    yield word_equations(layout.idle_word, layout.frame_bits, shift=shift)
    yield from store_frame_cases(layout, shift=shift)


def find_imitation(layout: FrameLayout, framing: MarkerFraming) -> tuple[int, int, int] | None:
    """Find two adjacent frames that show the marker where no frame begins.

    Returns:
        (offset, first word, second word): the marker stands `offset` symbols after the first
        symbol of the first frame; or None. Offset 0 means a store's frame that begins with the
        marker although not every frame does.
    """
    frame_bits = layout.frame_bits
    marker = layout.bits_of_symbols(framing.symbols)
    marker_bits = len(framing.symbols) * layout.lanes

    def pattern_at(offset: int) -> Equations:
        lowest = 2 * frame_bits - offset * layout.lanes - marker_bits
        return word_equations(marker, marker_bits, shift=lowest)

    mask = (1 << frame_bits) - 1
    for offset in range(1, layout.frame_symbols):
        pattern = pattern_at(offset)
        for first in _frame_cases(layout, shift=frame_bits):
            for second in _frame_cases(layout, shift=0):
                both = solve(pattern + first + second)
                if both is not None:
                    return offset, both >> frame_bits, both & mask
    pattern = pattern_at(0)
    for first in store_frame_cases(layout, shift=frame_bits):
        both = solve(pattern + first)
        if both is not None and not _every_frame_begins_with(layout, pattern):
            return 0, both >> frame_bits, layout.idle_word
    return None


def _every_frame_begins_with(layout: FrameLayout, pattern: Equations) -> bool:
    """Return whether every frame of a store begins with the pattern."""
    return all(
        solve([*case, (factors, 1 - value)]) is None
        for case in store_frame_cases(layout, shift=layout.frame_bits)
        for factors, value in pattern
    )


def require_sound_marker(layout: FrameLayout, framing: MarkerFraming) -> None:
    """Refuse a marker that frames can imitate, if its rule does not exclude that.

    Raises:
        DescriptionError: frames imitate a `unique` marker; a stream of idle frames shows a
            `confirm` marker at another offset too, and is valid there.
    """
    file = layout.link.file or None
    if framing.rule == "unique":
        _require_unique(layout, framing, file)
        return
    marker_bits = len(framing.symbols) * layout.lanes
    for offset in idle_rotations_that_pass(layout):
        shown = rotated(layout, layout.idle_word, offset) >> (layout.frame_bits - marker_bits)
        if shown == layout.bits_of_symbols(framing.symbols):
            raise DescriptionError(
                file=file,
                place="framing.symbols",
                found=f"marker {_show(framing)}, which a stream of idle frames shows"
                f" {show_symbol_count(offset)} late too, and the frames read from there are valid",
                wanted="a receiver would come into false sync there; give a marker or [idle]"
                " fields that do not repeat within the frame, or check.xor another value",
            )


def _require_unique(layout: FrameLayout, framing: MarkerFraming, file: str | None) -> None:
    imitation = find_imitation(layout, framing)
    if imitation is None:
        return
    offset, first, second = imitation
    if offset == 0:
        where = f"at the start of {describe_word(layout, first)}, which is not idle"
    elif offset + len(framing.symbols) <= layout.frame_symbols:
        where = f"{show_symbol_count(offset)} into {describe_word(layout, first)}"
    else:
        where = (
            f"{show_symbol_count(offset)} into {describe_word(layout, first)}"
            f" followed by {describe_word(layout, second)}"
        )
    raise DescriptionError(
        file=file,
        place="framing.symbols",
        found=f"marker {_show(framing)}, which can also stand {where}",
        wanted="break it there with a field of constant value, take a longer marker, or say"
        ' rule = "confirm" and add a [check] table',
    )
