"""A board's units, windows and host port as templates read them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from busplay.description.board import Unit, Window
from busplay.display.registers import registers_of
from busplay.emission.model import LinkModel
from busplay.emission.names import unique_identifier


@dataclass(frozen=True, slots=True)
class UnitModel:
    """A unit, and its name as a part of identifiers.

    Attributes:
        unit: the description.
        ident: in small letters.
    """

    unit: Unit
    ident: str

    @property
    def colours(self) -> int:
        """Size of the palette."""
        return 1 << self.unit.bits_per_pixel


def unit_models(model: LinkModel) -> tuple[UnitModel, ...]:
    """Return the units of the board; none without a board."""
    if model.board is None:
        return ()
    names: set[str] = set()
    return tuple(
        UnitModel(unit, unique_identifier(unit.name, names, otherwise="unit"))
        for unit in model.board.units
    )


def register_addresses(unit: Unit, windows: Iterable[Window]) -> dict[str, int]:
    """Return the processor's address of each register of a unit that its windows reach."""
    addresses: dict[str, int] = {}
    for window in windows:
        if window.space == "registers":
            for register in registers_of(unit):
                address = window.first_address + register.offset - window.first_offset
                if window.first_address <= address <= window.last_address:
                    addresses.setdefault(register.name, address)
    return addresses


def no_stores_reason(model: LinkModel) -> str | None:
    """Return why no frame of a link can carry a store; None: frames do."""
    missing = [name for name in ("address", "data") if model.field_named(name) is None]
    if not missing:
        return None
    noun = "field" if len(missing) == 1 else "fields"
    fields = " and ".join(missing)
    return f"link {model.link.name} has no {noun} named {fields}, so no frame carries a store"
