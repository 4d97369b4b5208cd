"""Read a link file's framing table."""

from __future__ import annotations

from busplay.description.attributes import keys_of, read_key, read_keys
from busplay.description.limits import LIMITS
from busplay.description.link import (
    Check,
    CheckFraming,
    Field,
    Framing,
    MarkerFraming,
    StrobeFraming,
)
from busplay.description.toml_reader import Table
from busplay.wording import counted

KEYS_OF_METHOD: dict[str, tuple[str, ...]] = {
    "strobe": keys_of(StrobeFraming),
    "marker": keys_of(MarkerFraming),
    "check": keys_of(CheckFraming),
}
METHODS = tuple(KEYS_OF_METHOD)
# Those of all methods, each once.
FRAMING_KEYS = tuple(dict.fromkeys(("method", *sum(KEYS_OF_METHOD.values(), ()))))


def read_framing(
    table: Table, *, fields: tuple[Field, ...], lanes: int, check: Check | None
) -> Framing:
    """Read how a receiver finds a frame's first symbol.

    Raises:
        DescriptionError: a key belongs to another method, or the method cannot work with
            these fields.
    """
    method = table.choice("method", METHODS)
    for key in table.present_keys():
        if key != "method" and key not in KEYS_OF_METHOD[method]:
            owners = [one for one in METHODS if key in KEYS_OF_METHOD[one]]
            raise table.error(
                key,
                found=f'a key that method "{method}" does not have',
                wanted=f"it belongs to {' and '.join(owners)}, so take it out",
            )
    if method == "strobe":
        return _read_strobe(table)
    if method == "marker":
        return _read_marker(table, fields, lanes, check)
    if check is None:
        raise table.error(
            "method",
            found='"check"',
            wanted="the link has no check field to find frames by, so add a [check] table or "
            "frame by strobe or marker",
        )
    return CheckFraming(**read_keys(table, CheckFraming))


def _read_strobe(table: Table) -> StrobeFraming:
    span = read_key(table, StrobeFraming, "span")
    least = 1 if span == "frame" else 0
    gap_symbols = table.integer("gap_symbols", *LIMITS[StrobeFraming, "gap_symbols"], default=least)
    if gap_symbols < least:
        raise table.error(
            "gap_symbols",
            found=str(gap_symbols),
            wanted="a strobe held for the frame must rest between two frames, so give 1 or more",
        )
    return StrobeFraming(span, read_key(table, StrobeFraming, "active"), gap_symbols)


def _read_marker(
    table: Table, fields: tuple[Field, ...], lanes: int, check: Check | None
) -> MarkerFraming:
    symbols = table.integers(
        "symbols",
        0,
        (1 << lanes) - 1,
        wanted=f"give an array of symbols from 0 to {(1 << lanes) - 1} ({lanes} lanes)",
    )
    frame_symbols = sum(one.bits for one in fields) // lanes
    if len(symbols) > frame_symbols:
        raise table.error(
            "symbols",
            found=counted(len(symbols), "symbol"),
            wanted=f"a frame has {frame_symbols}, so give {frame_symbols} or fewer",
        )
    if check is not None:
        _require_free_check(table, symbols, fields, lanes, check)
    framing = MarkerFraming(
        symbols, **read_keys(table, MarkerFraming, "rule", "confirm_frames", "release_frames")
    )
    if framing.rule == "confirm" and check is None:
        raise table.error(
            "rule",
            found='"confirm"',
            wanted='the link has no check to confirm by, so add a [check] table or say "unique"',
        )
    if framing.rule == "unique" and "confirm_frames" in table:
        raise table.error(
            "confirm_frames",
            found='a count besides rule "unique"',
            wanted='a unique marker needs no confirming, so take it out or say rule = "confirm"',
        )
    return framing


def _require_free_check(
    table: Table, symbols: tuple[int, ...], fields: tuple[Field, ...], lanes: int, check: Check
) -> None:
    """Refuse a marker that reaches into the check field."""
    first_bit = 0
    for one in fields:
        if one.name == check.field:
            break
        first_bit += one.bits
    free_symbols = first_bit // lanes
    if len(symbols) <= free_symbols:
        return
    found = counted(len(symbols), "symbol")
    if not free_symbols:
        wanted = f"the first symbol holds bits of the check, so move {check.field} to the end"
    else:
        wanted = (
            f"the check begins in symbol {free_symbols}, so give {free_symbols} or fewer, or "
            f"move {check.field} to the end"
        )
    raise table.error("symbols", found=found, wanted=wanted)
