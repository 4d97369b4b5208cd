"""The rules of a sound link that need its layout.

How to think about it. A receiver starts with no knowledge and cannot ask, so two things must hold
for all stores: it can find where frames begin, and it can tell a store from an idle frame. Each
framing checks the first in its own module (`framing`); a strobe marks the start and sends no idle
frames, so it needs no check. The second is checked here.

Not here: the checks of a single table of the file (`busplay.description`).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from busplay.description.link import Link, MarkerFraming, StrobeFraming
from busplay.errors import DescriptionError
from busplay.link.frame_facts import show_word, store_frame_cases, word_equations
from busplay.link.framing.check import require_sound_check
from busplay.link.framing.marker import require_sound_marker
from busplay.link.gf2 import solve
from busplay.link.layout import FrameLayout


def require_sound(link: Link) -> None:
    """Refuse a link on which frames could not be found or told from idle frames.

    Args:
        link: as `busplay.description` reads it.

    Raises:
        DescriptionError: with file, table and key, what was found and the remedy.
    """
    for rule in _rules(FrameLayout(link)):
        rule()


def find_faults(link: Link) -> list[DescriptionError]:
    """List every rule that a link breaks, as the errors that `require_sound` would raise.

    Args:
        link: as `busplay.description` reads it.
    """
    faults = []
    for rule in _rules(FrameLayout(link)):
        try:
            rule()
        except DescriptionError as fault:
            faults.append(fault)
    return faults


def _rules(layout: FrameLayout) -> list[Callable[[], None]]:
    framing = layout.link.framing
    if isinstance(framing, StrobeFraming):
        return []
    if isinstance(framing, MarkerFraming):
        found_by = partial(require_sound_marker, layout, framing)
    else:
        found_by = partial(require_sound_check, layout)
    return [partial(_require_idle_of_its_own, layout), found_by]


def _require_idle_of_its_own(layout: FrameLayout) -> None:
    """Refuse an idle frame that a store's frame can equal."""
    link = layout.link
    word = word_equations(layout.idle_word, layout.frame_bits)
    if all(solve(word + case) is None for case in store_frame_cases(layout)):
        return
    found = f"an idle frame {show_word(layout, layout.idle_word)} that a store's frame can equal"
    if link.field_named("space") is not None:
        # The idle frame's space is 0 unless the marker changes it.
        raise DescriptionError(
            file=link.file or None,
            place="framing.symbols",
            found=found + ", since the marker overwrites the field space",
            wanted="the store would be taken for idle; choose a marker with zeros there, or move"
            " the field space after it",
        )
    raise DescriptionError(
        file=link.file or None,
        place="idle",
        found=found,
        wanted="the store would be taken for idle; add a field named space of 2 bits, or a field"
        " of another name that is 1 in [idle] (it is 0 with every store)",
    )
