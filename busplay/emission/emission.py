"""What the parts of an emission are made from."""

from __future__ import annotations

from dataclasses import dataclass

from busplay.emission.model import LinkModel
from busplay.emission.proof.firmware import TargetFigures
from busplay.emission.proof.synthesis import LogicFigures
from busplay.emission.vectors import Vector


@dataclass(frozen=True, slots=True)
class Emission:
    """A link, and what was worked out for all parts.

    Attributes:
        model: the link.
        vectors: its test vectors; none where no part holds them.
        firmware: what was found out about its firmware, by target.
        logic: what was found out about its logic, by module.
    """

    model: LinkModel
    vectors: tuple[Vector, ...]
    firmware: tuple[TargetFigures, ...] = ()
    logic: tuple[LogicFigures, ...] = ()
