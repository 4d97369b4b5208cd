"""Read a board file's banks: pages of memory, and what chooses the one that is shown."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from busplay.description.address_ranges import AddressRange, read_range, require_apart
from busplay.description.attributes import keys_of, read_key
from busplay.description.banks import LATCH_BITS, SELECT_BITS_MAX, Bank, select_bit
from busplay.description.board import Memory
from busplay.description.devices import Device, Via6522
from busplay.description.image_path import read_image_path
from busplay.description.limits import BANKED_BYTES_MAX
from busplay.description.toml_reader import Table, did_you_mean, show_address, show_string
from busplay.wording import counted

BANK_KEYS = keys_of(Bank)
REMEDY = "move one or shorten it"


def read_banks(
    board: Table, folder: Path, memory: Sequence[AddressRange]
) -> tuple[tuple[Bank, ...], list[AddressRange]]:
    """Read every bank, in the file's order.

    Args:
        folder: where the board file lies.
        memory: the ranges of the board's other memory.

    Returns:
        The banks, and their ranges.

    Raises:
        DescriptionError: two overlap, an image has no room, or nothing chooses the page.
    """
    banks: list[Bank] = []
    spans: list[AddressRange] = []
    tables = board.tables("banks", BANK_KEYS)
    for table in tables:
        span = read_range(table)
        is_overlay = "off_address" in table
        require_apart(table, span, spans, remedy=REMEDY)
        if not is_overlay:
            remedy = f"{REMEDY}; only a boot overlay (off_address) may lie over other memory"
            require_apart(table, span, memory, remedy=remedy)
        bank = _read_overlay(table, span, folder) if is_overlay else _read_bank(table, span, folder)
        if any(bank.name == other.name for other in banks):
            raise table.error(
                "name", found=show_string(bank.name), wanted="each bank has its own name"
            )
        banks.append(bank)
        spans.append(span)
        total = sum(one.pages * one.page_bytes for one in banks)
        if total > BANKED_BYTES_MAX:
            raise table.error(
                "pages",
                found=f"{total:,} bytes in all banks",
                wanted=f"up to {BANKED_BYTES_MAX:,} are possible, so give fewer pages",
            )
    return tuple(banks), spans


def _read_common(table: Table, span: AddressRange) -> dict[str, Any]:
    return {
        "name": table.text("name", wanted="give the bank a name in quotes", last_length=40),
        "first_address": span.first_address,
        "last_address": span.last_address,
    }


def _read_overlay(table: Table, span: AddressRange, folder: Path) -> Bank:
    for key in ("latch_address", "select", "write_protect", "pages"):
        if key in table:
            raise table.error(
                key,
                found="a key of a bank with several pages",
                wanted="a boot overlay (off_address) has one page, so take the line out",
            )
    common = _read_common(table, span)
    kind = read_key(table, Bank, "kind", default="rom")
    if kind != "rom":
        raise table.error("kind", found='"ram"', wanted='a boot overlay is "rom"')
    image, size = _read_image(table, folder)
    if image is None:
        raise table.error(
            "image", found="no image", wanted="a boot overlay needs its contents, so name a file"
        )
    _require_room(table, size, 1, span)
    off_address = read_key(table, Bank, "off_address")
    return Bank(**common, kind="rom", pages=1, image=image, off_address=off_address)


def _read_bank(table: Table, span: AddressRange, folder: Path) -> Bank:
    common = _read_common(table, span)
    kind = read_key(table, Bank, "kind")
    image, size = _read_image(table, folder)
    page_bytes = span.last_address - span.first_address + 1
    needed = -(-size // page_bytes)
    is_told = "pages" in table or image is None
    pages = read_key(table, Bank, "pages") if is_told else needed
    _require_room(table, size, pages, span)
    latch_address = read_key(table, Bank, "latch_address")
    return Bank(
        **common,
        kind=kind,
        pages=pages,
        image=image,
        latch_address=latch_address,
        select=_read_select(table, pages, has_latch=latch_address is not None),
        write_protect=_read_protection(table, kind, has_latch=latch_address is not None),
    )


def _read_image(table: Table, folder: Path) -> tuple[Path | None, int]:
    """Return an image's path and size; None and 0 without one."""
    if "image" not in table:
        return None, 0
    path = read_image_path(table, folder)
    size = path.stat().st_size
    if not size:
        raise table.error(
            "image", found="an empty file", wanted="give one with contents, or take the line out"
        )
    return path, size


def _require_room(table: Table, size: int, pages: int, span: AddressRange) -> None:
    room = pages * (span.last_address - span.first_address + 1)
    if size > room:
        remedy = "a shorter file" if "off_address" in table else "more pages or a shorter file"
        raise table.error(
            "image",
            found=f"a file of {size:,} bytes",
            wanted=f"{span} has room for {room:,} in {counted(pages, 'page')}, so give {remedy}",
        )


def _read_select(table: Table, pages: int, *, has_latch: bool) -> tuple[str, ...]:
    needed = max(1, (pages - 1).bit_length())
    if "select" not in table:
        if not has_latch:
            raise table.error(
                "select",
                found="neither select nor latch_address",
                wanted="something must choose the page, so give one of them",
            )
        if needed > LATCH_BITS:
            raise table.error(
                "pages",
                found=f"{pages:,}",
                wanted="a latch chooses one of 256, so give select, with bits of a 6522 too",
            )
        return tuple(f"latch {bit}" for bit in reversed(range(needed)))
    wanted = 'give an array such as ["latch 1", "ports.pa0"]'
    texts = table.optional_strings("select", wanted=wanted) or ()
    for text in texts:
        _require_bit(table, "select", text, has_latch=has_latch)
    if len(set(texts)) != len(texts):
        raise table.error("select", found=", ".join(texts), wanted="each bit may stand there once")
    if not needed <= len(texts) <= SELECT_BITS_MAX:
        raise table.error(
            "select",
            found=counted(len(texts), "bit"),
            wanted=f"{pages:,} pages need {needed} ({SELECT_BITS_MAX} are the most), so give these,"
            " or fewer pages",
        )
    return texts


def _read_protection(table: Table, kind: str, *, has_latch: bool) -> str:
    if "write_protect" not in table:
        return ""
    if kind != "ram":
        raise table.error(
            "write_protect", found="a bit", wanted="no store changes ROM, so take the line out"
        )
    text = table.text("write_protect", wanted='give a bit such as "latch 7"')
    _require_bit(table, "write_protect", text, has_latch=has_latch)
    return text


def _require_bit(table: Table, key: str, text: str, *, has_latch: bool) -> None:
    try:
        bit = select_bit(text)
    except ValueError as error:
        raise table.error(key, found=show_string(text), wanted=str(error)) from None
    if not bit.device and not has_latch:
        raise table.error(
            key, found=show_string(text), wanted="no latch is there, so give latch_address"
        )


def require_bank_places(
    board: Table,
    banks: Sequence[Bank],
    *,
    memory: Sequence[Memory],
    devices: Sequence[Device],
    taken: Sequence[AddressRange],
) -> None:
    """Refuse latches where something else takes stores, and pins that no 6522 has.

    Args:
        taken: the ranges of windows, host port and devices.

    Raises:
        DescriptionError: of the first such bank.
    """
    for table, bank in zip(board.tables("banks", BANK_KEYS), banks, strict=True):
        for key in ("latch_address", "off_address"):
            address = getattr(bank, key)
            if address is not None:
                _require_free(table, key, address, [*memory, *banks], taken)
        for key, texts in (("select", bank.select), ("write_protect", bank.bits)):
            for text in texts:
                _require_device(table, key, select_bit(text).device, devices)


def _require_free(
    table: Table,
    key: str,
    address: int,
    memory: Sequence[Memory | Bank],
    taken: Sequence[AddressRange],
) -> None:
    for one in memory:
        if one.kind == "ram" and one.first_address <= address <= one.last_address:
            raise table.error(
                key, found=show_address(address), wanted="RAM is there, so move one of them"
            )
    for span in taken:
        if span.first_address <= address <= span.last_address:
            raise table.error(
                key,
                found=show_address(address),
                wanted=f"{span.label} ({span}) is there, so move one of them",
            )


def _require_device(table: Table, key: str, name: str, devices: Sequence[Device]) -> None:
    names = [one.name for one in devices if isinstance(one, Via6522)]
    if name and name not in names:
        hint = did_you_mean(name, names, otherwise=f"there is {', '.join(names) or 'none'}")
        raise table.error(key, found=show_string(name), wanted=f"no 6522 has that name; {hint}")
