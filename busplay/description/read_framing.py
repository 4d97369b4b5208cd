"""Read a link file's framing table."""

from __future__ import annotations

from typing import get_args

from busplay.description.limits import LIMITS
from busplay.description.link import (
    CONFIRM_FRAMES,
    RELEASE_FRAMES,
    Check,
    CheckFraming,
    Field,
    Framing,
    MarkerFraming,
    MarkerRule,
    StrobeActive,
    StrobeFraming,
    StrobeSpan,
)
from busplay.description.toml_reader import Table
from busplay.wording import counted

KEYS_OF_METHOD: dict[str, tuple[str, ...]] = {
    "strobe": ("span", "active", "gap_symbols"),
    "marker": ("symbols", "rule", "confirm_frames", "release_frames"),
    "check": ("confirm_frames", "release_frames"),
}
FRAMING_KEYS = (
    "method",
    "span",
    "active",
    "gap_symbols",
    "symbols",
    "rule",
    "confirm_frames",
    "release_frames",
)
METHODS = ("strobe", "marker", "check")
SPANS: tuple[StrobeSpan, ...] = get_args(StrobeSpan)
LEVELS: tuple[StrobeActive, ...] = get_args(StrobeActive)
RULES: tuple[MarkerRule, ...] = get_args(MarkerRule)


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
    return CheckFraming(
        confirm_frames=table.integer(
            "confirm_frames", *LIMITS[CheckFraming, "confirm_frames"], default=CONFIRM_FRAMES
        ),
        release_frames=table.integer(
            "release_frames", *LIMITS[CheckFraming, "release_frames"], default=RELEASE_FRAMES
        ),
    )


def _read_strobe(table: Table) -> StrobeFraming:
    span = table.choice("span", SPANS, default="first")
    least = 1 if span == "frame" else 0
    gap_symbols = table.integer("gap_symbols", *LIMITS[StrobeFraming, "gap_symbols"], default=least)
    if gap_symbols < least:
        raise table.error(
            "gap_symbols",
            found=str(gap_symbols),
            wanted="a strobe held for the frame must rest between two frames, so give 1 or more",
        )
    return StrobeFraming(
        span=span,
        active=table.choice("active", LEVELS, default="high"),
        gap_symbols=gap_symbols,
    )


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
    rule = table.choice("rule", RULES, default="unique")
    if rule == "confirm" and check is None:
        raise table.error(
            "rule",
            found='"confirm"',
            wanted='the link has no check to confirm by, so add a [check] table or say "unique"',
        )
    if rule == "unique" and "confirm_frames" in table:
        raise table.error(
            "confirm_frames",
            found='a count besides rule "unique"',
            wanted='a unique marker needs no confirming, so take it out or say rule = "confirm"',
        )
    return MarkerFraming(
        symbols=symbols,
        rule=rule,
        confirm_frames=table.integer(
            "confirm_frames", *LIMITS[MarkerFraming, "confirm_frames"], default=CONFIRM_FRAMES
        ),
        release_frames=table.integer(
            "release_frames", *LIMITS[MarkerFraming, "release_frames"], default=RELEASE_FRAMES
        ),
    )


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
