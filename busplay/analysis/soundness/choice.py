"""A change to a link file that was tried against a weakness."""

from __future__ import annotations

from dataclasses import dataclass, field

from busplay.description.link import Link


@dataclass(frozen=True, slots=True)
class Choice:
    """One choice and what it does.

    Attributes:
        kind: from the list of choices, such as `other XOR`.
        change: what to write in the link file.
        effect: what the figure becomes.
        removes: whether the weakness is gone; else it is less.
        link: the link with the change.
    """

    kind: str
    change: str
    effect: str
    removes: bool
    link: Link = field(repr=False)
