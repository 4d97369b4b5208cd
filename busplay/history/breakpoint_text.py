"""Breakpoints as people type them: `$C0CA`, `draw`, `tides.s:149`, `store $4000-$4FFF`, `a=7F`.

An address in banked memory may have its page, `3:$8010`: then it is that page's byte, whatever page
is shown. Without one it is what the processor sees.
"""

from __future__ import annotations

import re
from typing import cast

from busplay.description.full_address import (
    address_of,
    address_text,
    full_address,
    page_of,
    parse_address,
    require_page,
)
from busplay.errors import InputError
from busplay.history.breakpoints import (
    REGISTER_NAMES,
    AtAddress,
    Breakpoint,
    MemoryIs,
    RegisterIs,
    RegisterName,
    WriteTo,
)
from busplay.program.symbols import ProgramSymbols

FORMS = "an address $C000, a label, a line file.s:12, store $4000-$4FFF, a=7F or $12=7F"

_VALUE = re.compile(r"\$?([0-9A-Fa-f]{1,2})")
_LINE = re.compile(r"(.+):([0-9]{1,7})")
_STORE = "store"


def parse_breakpoint(text: str, symbols: ProgramSymbols) -> Breakpoint:
    """Parse a breakpoint.

    Args:
        text: an address or label, at whose instruction to stop; a source line, with its file;
            `store` with an address, a label or a range of them; a register (a, x, y, s, p),
            address or label, `=`, and a value in hex.
        symbols: of the program.

    Raises:
        InputError: it is none of these, or the program has no such label or line.
    """
    words = text.strip()
    first, _, rest = words.partition(" ")
    if first.lower() == _STORE and rest.strip():
        return _write_to(rest.strip(), symbols)
    if "=" in words:
        return _value_of(words, symbols)
    if (address := parse_address(words)) is not None:
        return AtAddress({_in_banks(address, symbols)})
    # A local label stands at several addresses: each of them is one to stop at.
    if labelled := symbols.addresses_labelled(words):
        return AtAddress(labelled)
    if match := _LINE.fullmatch(words):
        return AtAddress(symbols.addresses_of(match[1], int(match[2])))
    return AtAddress({_address(words, symbols)})


def _write_to(text: str, symbols: ProgramSymbols) -> WriteTo:
    begin, dash, end = (one.strip() for one in text.partition("-"))
    first = _address(begin, symbols)
    is_bare = parse_address(end) is None and not end.startswith("$")
    if end and is_bare and not symbols.addresses_labelled(end):
        end = f"${end}"
    last = _address(end, symbols) if dash else first
    if page_of(last) is None:
        last = full_address(last, page_of(first))
    if page_of(first) != page_of(last):
        raise _error(text, "the range must lie in one page")
    if last < first:
        ordered = f"{address_text(last)}-{address_text(address_of(first))}"
        raise _error(text, f"the range goes backwards; give {ordered}")
    return WriteTo(first, last)


def _value_of(text: str, symbols: ProgramSymbols) -> RegisterIs | MemoryIs:
    name, _, value = (one.strip() for one in text.partition("="))
    match = _VALUE.fullmatch(value)
    if match is None:
        raise _error(text, "give a value in hex from 00 to FF")
    if name.lower() in REGISTER_NAMES:
        return RegisterIs(cast(RegisterName, name.lower()), int(match[1], 16))
    return MemoryIs(_address(name, symbols), int(match[1], 16))


def _address(text: str, symbols: ProgramSymbols) -> int:
    if (address := parse_address(text)) is not None:
        return _in_banks(address, symbols)
    if not text or text.startswith("$"):
        raise _error(text, f"give {FORMS}")
    try:
        return symbols.address_of(text)
    except InputError as error:
        raise _error(text, f"{error.wanted}; give {FORMS}") from None


def _in_banks(address: int, symbols: ProgramSymbols) -> int:
    try:
        return require_page(address, symbols.banks)
    except InputError as error:
        raise _error(address_text(address), error.wanted or "") from None


def _error(found: str, wanted: str) -> InputError:
    return InputError(place="breakpoint", found=repr(found), wanted=wanted)
