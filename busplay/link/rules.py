"""What a sound link must meet beyond its file's words: refusals that need the layout.

How to think about it. A receiver starts with no knowledge and has no way to ask, so three
things must hold whatever is stored: it can tell where frames begin, it can tell a store from
an idle frame, and the fields that carry a store are free to carry it. Each framing proves the
first in its own module (`framing`); the other two stand here.
"""

from __future__ import annotations

from busplay.description.link import CheckFraming, Link, MarkerFraming, StrobeFraming
from busplay.errors import DescriptionError, FieldError
from busplay.link.frame_facts import store_frame_cases, word_equations
from busplay.link.framing.check import require_sound_check
from busplay.link.framing.marker import require_sound_marker
from busplay.link.framing.strobe import require_sound_strobe
from busplay.link.gf2 import solve
from busplay.link.layout import FrameLayout

# A constant in any of these would leave nothing of what the field is for.
NEVER_CONSTANT = ("space", "sequence", "address", "data")


def require_sound(link: Link) -> None:
    """Refuse a link on which frames could not be found or told from idle frames.

    Raises:
        DescriptionError: with file, table and key, what was found and the remedy.
    """
    _require_free_fields(link)
    _require_start_that_can_be_seen(link)
    try:
        layout = FrameLayout(link)
    except FieldError as error:
        raise DescriptionError(error.message, file=link.file or None, place="idle") from error
    framing = link.framing
    if isinstance(framing, StrobeFraming):
        require_sound_strobe(layout, framing)
        return
    _require_idle_of_its_own(layout)
    if isinstance(framing, MarkerFraming):
        require_sound_marker(layout, framing)
    elif isinstance(framing, CheckFraming):
        require_sound_check(layout)


def _require_free_fields(link: Link) -> None:
    for index, one in enumerate(link.fields):
        if one.name in NEVER_CONSTANT and one.value is not None:
            raise DescriptionError(
                file=link.file or None,
                place=f"fields[{index}].value",
                found=f"the constant {one.value} in field {one.name!r}",
                wanted="this field changes from frame to frame; take the value away, or give the"
                " constant a field of another name",
            )


def _require_start_that_can_be_seen(link: Link) -> None:
    if link.start == "cycle" and not isinstance(link.framing, StrobeFraming):
        raise DescriptionError(
            file=link.file or None,
            place="start",
            found='"cycle", and no strobe',
            wanted='without a strobe a receiver counts slots; say start = "slot", or'
            ' framing.method = "strobe"',
        )


def _require_idle_of_its_own(layout: FrameLayout) -> None:
    """Refuse an idle frame that a store's frame can equal: the store would be taken for idle."""
    link = layout.link
    word = word_equations(layout.idle_word, layout.frame_bits)
    if any(solve(word + case) is not None for case in store_frame_cases(layout)):
        raise DescriptionError(
            file=link.file or None,
            place="idle",
            found=f"an idle frame 0x{layout.idle_word:0{(layout.frame_bits + 3) // 4}X} that a"
            " store's frame can equal",
            wanted='the store would be taken for idle; add a field "space" of 2 bits, or a field'
            " of another name with a value other than 0 in [idle] only",
        )
