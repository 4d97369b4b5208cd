"""Link files: what they become, and every refusal word for word."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from busplay.description.link import (
    Check,
    CheckFraming,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.errors import DescriptionError
from busplay.link.layout import FrameLayout
from busplay.link.load import load_link, parse_link
from tests.description.writing import BARE_LINK, LINK, MARKED_LINK, edited, link_toml
from tests.strategies import links

FILE = "x.toml"


def message_of(text: str) -> str:
    with pytest.raises(DescriptionError) as caught:
        parse_link(text, file=FILE)
    return str(caught.value)


def test_every_key_becomes_its_attribute() -> None:
    text = edited(
        LINK,
        ('name = "small"\n', 'name = "small"\ndescription = "For tests."\n'),
        (
            'edges = "both"\n',
            'edges = "falling"\nclock_hz = 5_000\nfirst_bit_lane = "lowest"\nidle_every = 9\n',
        ),
        ("bits = 16\n", 'bits = 16\norder = "low_digit_first"\n'),
        ('kind = "hec_i432"\n', 'kind = "hec_i432"\ninitial = 1\nxor = 0xAA\n'),
        ('method = "check"\n', 'method = "check"\nconfirm_frames = 3\nrelease_frames = 4\n'),
    )
    assert parse_link(text + "[idle]\naddress = 0x12\n", file=FILE) == Link(
        name="small",
        description="For tests.",
        lanes=4,
        edges="falling",
        clock_hz=5_000,
        first_bit_lane="lowest",
        idle_every=9,
        fields=(
            Field("space", 2),
            Field("unit", 2),
            Field("address", 16, order="low_digit_first"),
            Field("data", 8),
            Field("flag", 4, value=9),
            Field("check", 8),
        ),
        check=Check(
            "check", "hec_i432", 0x07, 1, 0xAA, covers=("space", "unit", "address", "data", "flag")
        ),
        framing=CheckFraming(confirm_frames=3, release_frames=4),
        idle={"address": 0x12},
        file=FILE,
    )


def test_left_out_keys_take_the_stated_defaults() -> None:
    link = parse_link(LINK, file=FILE)
    assert link.framing == CheckFraming(confirm_frames=6, release_frames=7)
    assert (link.clock_hz, link.start, link.first_bit_lane) == (None, "slot", "highest")
    assert (link.description, link.idle) == ("", {})
    assert parse_link(BARE_LINK, file=FILE).framing == StrobeFraming("first", "high", 0)


def test_strobe_held_for_the_frame_rests_one_symbol_by_default() -> None:
    text = BARE_LINK + 'span = "frame"\nactive = "low"\n'
    assert parse_link(text, file=FILE).framing == StrobeFraming("frame", "low", 1)


def test_marker_keeps_its_symbols_and_counts() -> None:
    text = MARKED_LINK + "confirm_frames = 2\nrelease_frames = 3\n"
    framing = parse_link(text, file=FILE).framing
    assert framing == MarkerFraming((0xC5,), "confirm", confirm_frames=2, release_frames=3)


def test_custom_check_is_spelled_out() -> None:
    text = edited(LINK, ('kind = "hec_i432"', 'kind = "custom"\npolynomial = 0x31\nxor = 0x0F'))
    check = parse_link(text, file=FILE).check
    assert check == Check(
        "check", "custom", 0x31, 0, 0x0F, ("space", "unit", "address", "data", "flag")
    )


def test_covered_fields_are_kept_in_wire_order() -> None:
    text = edited(LINK, ('kind = "hec_i432"', 'kind = "hec_i432"\ncovers = ["data", "space"]'))
    check = parse_link(text, file=FILE).check
    assert check is not None
    assert check.covers == ("space", "data")


def test_idle_values_that_say_nothing_new_are_dropped() -> None:
    link = parse_link(LINK + "[idle]\naddress = 0\nflag = 9\ndata = 5\n", file=FILE)
    assert link.idle == {"data": 5}


def test_start_on_any_cycle_is_allowed_with_a_strobe() -> None:
    text = edited(BARE_LINK, ('edges = "rising"', 'edges = "rising"\nstart = "cycle"'))
    assert parse_link(text, file=FILE).start == "cycle"


def test_byte_order_mark_and_crlf_are_an_editors_habit(tmp_path: Path) -> None:
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + LINK.replace("\n", "\r\n").encode())
    assert load_link(path).fields == parse_link(LINK, file=FILE).fields


@given(link=links())
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_link_written_as_toml_reads_back_the_same(link: Link) -> None:
    # A marker may overwrite what [idle] says; a file that says so is refused (see below).
    layout = FrameLayout(link)
    word = np.array([layout.idle_word], np.uint64)
    carried = {name: int(layout.unpack_field(word, name)[0]) for name in link.idle}
    link = replace(link, idle={name: value for name, value in carried.items() if value})
    text = link_toml(link)
    if link.check:
        in_wire_order = tuple(one.name for one in link.fields if one.name in link.check.covers)
        link = replace(link, check=replace(link.check, covers=in_wire_order))
    assert parse_link(text, file=link.file) == link


CASES: dict[str, tuple[str, str]] = {
    # -- the file itself
    "empty": (
        "# only a note\n",
        "x.toml: found an empty file; a link needs at least name, lanes, edges, [[fields]] and "
        "[framing]",
    ),
    "syntax": (
        edited(LINK, ("lanes = 4", "lanes 4")),
        "x.toml:2:7: found \"lanes 4\"; not TOML: expected '=' after a key in a key/value pair",
    ),
    "syntax at the end": (
        LINK + "text = 'open",
        'x.toml:36:13: found the end of the file; not TOML: expected "\'"',
    ),
    "line too long": (
        'name = "x"\na = "' + "b" * 5000 + '"\n',
        "x.toml:2:1: found a line of 5,006 characters; give 5,000 or fewer",
    ),
    "too deep": (
        "a = " + "[" * 4000,
        "x.toml: found arrays or tables nested too deeply; a description nests four deep at most",
    ),
    "huge decimal": (
        edited(LINK, ("lanes = 4", "lanes = " + "9" * 4400)),
        "x.toml: found a number of thousands of digits; TOML's numbers have up to 64 bits",
    ),
    "a board": (
        'processor = "6502"\n',
        "x.toml: found a board description; give a link file here",
    ),
    # -- top
    "misspelt key": (
        edited(LINK, ("lanes = 4", "lane = 4")),
        "x.toml: lane: found a key that is not known here; did you mean lanes?",
    ),
    "unknown key": (
        edited(LINK, ("lanes = 4", "lanes = 4\nqqq = 4")),
        "x.toml: qqq: found a key that is not known here; give name, description, lanes, edges, "
        "clock, clock_hz, start, first_bit_lane, idle_every, fields, framing, check or idle",
    ),
    "an idle slot in every slot": (
        edited(LINK, ("lanes = 4", "lanes = 4\nidle_every = 1")),
        "x.toml: idle_every: found 1; give a whole number from 2 to 65535",
    ),
    "idle slots with a strobe": (
        edited(BARE_LINK, ("lanes = 8", "lanes = 8\nidle_every = 8")),
        "x.toml: idle_every: found 8; with a strobe nothing is sent between frames, so take the "
        "line out",
    ),
    "field of a store misspelt": (
        edited(LINK, ('"data"', '"dta"')),
        'x.toml: fields[3].name: found "dta"; did you mean data? A field that carries something '
        "else takes a name that is less like it",
    ),
    "field of a store shortened": (
        edited(LINK, ('"address"', '"addr"')),
        'x.toml: fields[2].name: found "addr"; did you mean address? A field that carries '
        "something else takes a name that is less like it",
    ),
    "unknown key with control characters": (
        edited(LINK, ("lanes = 4", 'lanes = 4\n"a\\u001Bb" = 4')),
        'x.toml: "a\\x1bb": found a key that is not known here; give name, description, lanes, '
        "edges, clock, clock_hz, start, first_bit_lane, idle_every, fields, framing, check or "
        "idle",
    ),
    "name missing": (
        edited(LINK, ('name = "small"\n', "")),
        "x.toml: name: found nothing; give the link a short name in quotes",
    ),
    "name blank": (
        edited(LINK, ('"small"', '" "')),
        'x.toml: name: found " ", a string; give the link a short name in quotes',
    ),
    "name too long": (
        edited(LINK, ('"small"', '"' + "n" * 41 + '"')),
        "x.toml: name: found 41 characters; give 40 or fewer",
    ),
    "name with a control character": (
        edited(LINK, ('"small"', '"a\\u0007"')),
        'x.toml: name: found "a\\x07"; give one line without control characters',
    ),
    "description of another type": (
        edited(LINK, ("lanes = 4", "lanes = 4\ndescription = 4")),
        "x.toml: description: found 4; give a text in quotes",
    ),
    "description with an escape": (
        edited(LINK, ("lanes = 4", 'lanes = 4\ndescription = "a\\u001B[2J"')),
        'x.toml: description: found "a\\x1b[2J"; give a text without control characters',
    ),
    "description too long": (
        edited(LINK, ("lanes = 4", f'lanes = 4\ndescription = "{"x" * 4001}"')),
        "x.toml: description: found 4,001 characters; give 4000 or fewer",
    ),
    "lanes missing": (
        edited(LINK, ("lanes = 4\n", "")),
        "x.toml: lanes: found nothing; give a whole number from 1 to 16",
    ),
    "lanes 0": (
        edited(LINK, ("lanes = 4", "lanes = 0")),
        "x.toml: lanes: found 0; give a whole number from 1 to 16",
    ),
    "lanes 17": (
        edited(LINK, ("lanes = 4", "lanes = 17")),
        "x.toml: lanes: found 17; give a whole number from 1 to 16",
    ),
    "lanes a float": (
        edited(LINK, ("lanes = 4", "lanes = 4.0")),
        "x.toml: lanes: found 4.0, a float; give a whole number from 1 to 16",
    ),
    "lanes a string": (
        edited(LINK, ("lanes = 4", 'lanes = "4"')),
        'x.toml: lanes: found "4", a string; give a whole number from 1 to 16',
    ),
    "lanes a boolean": (
        edited(LINK, ("lanes = 4", "lanes = true")),
        "x.toml: lanes: found true, a boolean; give a whole number from 1 to 16",
    ),
    "lanes a date": (
        edited(LINK, ("lanes = 4", "lanes = 2024-01-01")),
        "x.toml: lanes: found a date or time; give a whole number from 1 to 16",
    ),
    "lanes an array": (
        edited(LINK, ("lanes = 4", "lanes = [4, 5]")),
        "x.toml: lanes: found an array of 2; give a whole number from 1 to 16",
    ),
    "lanes enormous": (
        edited(LINK, ("lanes = 4", "lanes = 0x" + "F" * 4000)),
        "x.toml: lanes: found a number of 16,000 bits; give a whole number from 1 to 16",
    ),
    "edges unknown": (
        edited(LINK, ('"both"', '"up"')),
        'x.toml: edges: found "up"; give "rising", "falling" or "both"',
    ),
    "edges of another type": (
        edited(LINK, ('"both"', "2")),
        'x.toml: edges: found 2; give "rising", "falling" or "both", in quotes',
    ),
    "clock unknown": (
        edited(LINK, ("lanes = 4", 'lanes = 4\nclock = "mine"')),
        'x.toml: clock: found "mine"; give "processor"',
    ),
    "two clocks": (
        edited(LINK, ("lanes = 4", 'lanes = 4\nclock = "processor"\nclock_hz = 1')),
        "x.toml: clock_hz: found a clock besides the processor's; give either clock or clock_hz",
    ),
    "clock too fast": (
        edited(LINK, ("lanes = 4", "lanes = 4\nclock_hz = 1_000_000_001")),
        "x.toml: clock_hz: found 1000000001; give a whole number from 1 to 1000000000 (1 GHz)",
    ),
    "start on cycles without a strobe": (
        edited(LINK, ("lanes = 4", 'lanes = 4\nstart = "cycle"')),
        'x.toml: start: found "cycle"; only a strobe shows where such a frame starts, so say '
        '"slot" or give framing.method = "strobe"',
    ),
    # -- fields
    "no fields": (
        'name = "x"\nlanes = 1\nedges = "both"\nfields = []\n',
        "x.toml: fields: found no fields; give at least one, each headed [[fields]]",
    ),
    "fields a table": (
        'name = "x"\nlanes = 1\nedges = "both"\n[fields]\n',
        "x.toml: fields: found a table; give an array of tables, each headed [[fields]]",
    ),
    "field not a table": (
        'name = "x"\nlanes = 1\nedges = "both"\nfields = [3]\n',
        "x.toml: fields[0]: found 3; give an array of tables, each headed [[fields]]",
    ),
    "field key misspelt": (
        edited(LINK, ("bits = 16", "bit = 16")),
        "x.toml: fields[2].bit: found a key that is not known here; did you mean bits?",
    ),
    "field name missing": (
        edited(LINK, ('name = "flag"\n', "")),
        "x.toml: fields[4].name: found nothing; give a name of lower-case letters, digits and _, "
        "such as address",
    ),
    "field name with a blank": (
        edited(LINK, ('"flag"', '"my flag"')),
        'x.toml: fields[4].name: found "my flag"; give a name of lower-case letters, digits and '
        "_, such as address",
    ),
    "two fields of one name": (
        edited(LINK, ('"flag"', '"unit"')),
        'x.toml: fields[4].name: found "unit"; fields[1] has that name already, so give another',
    ),
    "bits 0": (
        edited(LINK, ("bits = 4", "bits = 0")),
        "x.toml: fields[4].bits: found 0; give a whole number from 1 to 64",
    ),
    "bits 65": (
        edited(LINK, ("bits = 4", "bits = 65")),
        "x.toml: fields[4].bits: found 65; give a whole number from 1 to 64",
    ),
    "space of 1 bit": (
        edited(LINK, ('"space"\nbits = 2', '"space"\nbits = 1')),
        "x.toml: fields[0].bits: found 1; space takes 2 to 8 bits, since spaces are numbered 0 to "
        "3; spare bits can be a field of another name",
    ),
    "unit of 9 bits": (
        edited(LINK, ('"unit"\nbits = 2', '"unit"\nbits = 9')),
        "x.toml: fields[1].bits: found 9; unit takes 1 to 8 bits, since a link has up to 256 "
        "units; spare bits can be a field of another name",
    ),
    "sequence of 17 bits": (
        edited(LINK, ('"flag"\nbits = 4\nvalue = 9', '"sequence"\nbits = 17')),
        "x.toml: fields[4].bits: found 17; sequence takes 1 to 16 bits, since it counts modulo "
        "65,536 at most; spare bits can be a field of another name",
    ),
    "address of 25 bits": (
        edited(LINK, ("bits = 16", "bits = 25")),
        "x.toml: fields[2].bits: found 25; address takes 1 to 24 bits, since a unit's memory has "
        "up to 16,777,216 bytes; spare bits can be a field of another name",
    ),
    "data of 7 bits": (
        edited(LINK, ('"data"\nbits = 8', '"data"\nbits = 7')),
        "x.toml: fields[3].bits: found 7; data takes 8 bits, since a store carries 8 bits; spare "
        "bits can be a field of another name",
    ),
    "data of 9 bits": (
        edited(LINK, ('"data"\nbits = 8', '"data"\nbits = 9')),
        "x.toml: fields[3].bits: found 9; data takes 8 bits, since a store carries 8 bits; spare "
        "bits can be a field of another name",
    ),
    "data a constant": (
        edited(LINK, ('"data"\nbits = 8', '"data"\nbits = 8\nvalue = 1')),
        "x.toml: fields[3].value: found a constant; the sender fills data, so take the line out "
        "or give the field another name",
    ),
    "constant that does not fit": (
        edited(LINK, ("value = 9", "value = 16")),
        "x.toml: fields[4].value: found 16; give a whole number from 0 to 15, which 4 bits hold",
    ),
    "constant below 0": (
        edited(LINK, ("value = 9", "value = -1")),
        "x.toml: fields[4].value: found -1; give a whole number from 0 to 15, which 4 bits hold",
    ),
    "order unknown": (
        edited(LINK, ("bits = 16", 'bits = 16\norder = "low"')),
        'x.toml: fields[2].order: found "low"; give "high_first", "low_first" or "low_digit_first"',
    ),
    "digits of no whole symbols": (
        edited(LINK, ('"unit"\nbits = 2', '"unit"\nbits = 2\norder = "low_digit_first"')),
        'x.toml: fields[1].order: found "low_digit_first"; 2 bits are no whole digits of 4 (one '
        'digit a symbol), so change bits, or say "high_first" or "low_first"',
    ),
    "symbols not filled": (
        edited(LINK, ("bits = 4\nvalue = 9", "bits = 5\nvalue = 9")),
        "x.toml: fields: found 41 bits together; a frame fills whole symbols of 4 bits, so add 3 "
        "or take 1 away",
    ),
    "symbols not filled, nothing to take": (
        'name = "x"\nlanes = 16\nedges = "both"\n[[fields]]\nname = "data"\nbits = 8\n'
        '[framing]\nmethod = "strobe"\n',
        "x.toml: fields: found 8 bits together; a frame fills whole symbols of 16 bits, so add 8",
    ),
    "symbols not filled, no room to add": (
        'name = "x"\nlanes = 15\nedges = "both"\n[[fields]]\nname = "wide"\nbits = 61\n'
        '[framing]\nmethod = "strobe"\n',
        "x.toml: fields: found 61 bits together; a frame fills whole symbols of 15 bits, so take "
        "1 away",
    ),
    "frame too long": (
        edited(LINK, ("bits = 4\nvalue = 9", "bits = 32\nvalue = 9")),
        "x.toml: fields: found 68 bits together; a frame has up to 64, so take 4 or more away",
    ),
    # -- check
    "check a string": (
        edited(
            LINK,
            ('[check]\nfield = "check"\nkind = "hec_i432"\n', ""),
            ("lanes = 4", 'lanes = 4\ncheck = "hec_i432"'),
        ),
        'x.toml: check: found "hec_i432", a string; give a table [check]',
    ),
    "check field missing": (
        edited(LINK, ('field = "check"\n', "")),
        "x.toml: check.field: found nothing; name the field that holds the check",
    ),
    "check field unknown": (
        edited(LINK, ('field = "check"', 'field = "chekc"')),
        'x.toml: check.field: found "chekc"; no field has that name; did you mean check?',
    ),
    "check field unlike any": (
        edited(LINK, ('field = "check"', 'field = "zzz"')),
        'x.toml: check.field: found "zzz"; no field has that name; the fields are space, unit, '
        "address, data, flag, check",
    ),
    "check in data": (
        edited(LINK, ('field = "check"', 'field = "data"')),
        'x.toml: check.field: found "data"; data has a meaning of its own, so give the check a '
        "field of its own",
    ),
    "check field with a constant": (
        edited(LINK, ('field = "check"', 'field = "flag"')),
        'x.toml: check.field: found "flag"; that field has the constant 9, so take its value out',
    ),
    "check of nothing": (
        'name = "x"\nlanes = 8\nedges = "both"\n[[fields]]\nname = "check"\nbits = 8\n'
        '[check]\nfield = "check"\nkind = "hec_i432"\n[framing]\nmethod = "check"\n',
        'x.toml: check.field: found "check"; there is no other field to check, so add one',
    ),
    "check kind unknown": (
        edited(LINK, ('"hec_i432"', '"crc9"')),
        'x.toml: check.kind: found "crc9"; give "parity_even", "parity_odd", "crc4_g704", '
        '"crc5_g704", "crc5_usb", "hec_i432", "crc8_smbus" or "custom"',
    ),
    "check kind of another width": (
        edited(LINK, ('"hec_i432"', '"crc4_g704"')),
        'x.toml: check.kind: found "crc4_g704"; that takes 4 bits and field check has 8, so give '
        'the field 4 or take "hec_i432", "crc8_smbus" or "custom"',
    ),
    "polynomial of a named kind": (
        edited(LINK, ('"hec_i432"', '"hec_i432"\npolynomial = 7')),
        "x.toml: check.polynomial: found a polynomial besides a kind that has its own; take the "
        'line out or say kind = "custom"',
    ),
    "custom without polynomial": (
        edited(LINK, ('"hec_i432"', '"custom"')),
        "x.toml: check.polynomial: found nothing; give a whole number from 1 to 255 (field of 8 "
        "bits: the highest term, x^8, is left out)",
    ),
    "polynomial with its highest term": (
        edited(LINK, ('"hec_i432"', '"custom"\npolynomial = 0x107')),
        "x.toml: check.polynomial: found 263; give a whole number from 1 to 255 (field of 8 bits: "
        "the highest term, x^8, is left out)",
    ),
    "polynomial reversed": (
        edited(LINK, ('"hec_i432"', '"custom"\npolynomial = 0xE0')),
        "x.toml: check.polynomial: found 0xE0; its lowest bit, the term 1, must be set: write it "
        "highest term first, not reversed",
    ),
    "xor that does not fit": (
        edited(LINK, ('"hec_i432"', '"hec_i432"\nxor = 256')),
        "x.toml: check.xor: found 256; give a whole number from 0 to 255, which 8 bits hold",
    ),
    "initial that does not fit": (
        edited(LINK, ('"hec_i432"', '"hec_i432"\ninitial = -1')),
        "x.toml: check.initial: found -1; give a whole number from 0 to 255, which 8 bits hold",
    ),
    "covers nothing": (
        edited(LINK, ('"hec_i432"', '"hec_i432"\ncovers = []')),
        "x.toml: check.covers: found an array of 0; give an array of field names",
    ),
    "covers a number": (
        edited(LINK, ('"hec_i432"', '"hec_i432"\ncovers = ["data", 3]')),
        "x.toml: check.covers[1]: found 3; give an array of field names",
    ),
    "covers an unknown field": (
        edited(LINK, ('"hec_i432"', '"hec_i432"\ncovers = ["adress"]')),
        'x.toml: check.covers[0]: found "adress"; no field has that name; did you mean address?',
    ),
    "covers itself": (
        edited(LINK, ('"hec_i432"', '"hec_i432"\ncovers = ["data", "check"]')),
        'x.toml: check.covers[1]: found "check"; a check cannot cover itself, so take it out',
    ),
    "covers twice": (
        edited(LINK, ('"hec_i432"', '"hec_i432"\ncovers = ["data", "data"]')),
        'x.toml: check.covers[1]: found "data"; it is named before, so take it out',
    ),
    # -- framing
    "framing missing": (
        edited(LINK, ('[framing]\nmethod = "check"\n', "")),
        "x.toml: framing: found nothing; give a table [framing]",
    ),
    "method missing": (
        edited(LINK, ('method = "check"\n', "")),
        'x.toml: framing.method: found nothing; give "strobe", "marker" or "check", in quotes',
    ),
    "key of another method": (
        edited(LINK, ('method = "check"', 'method = "check"\nspan = "first"')),
        'x.toml: framing.span: found a key that method "check" does not have; it belongs to '
        "strobe, so take it out",
    ),
    "key of other methods": (
        BARE_LINK + "release_frames = 7\n",
        'x.toml: framing.release_frames: found a key that method "strobe" does not have; it '
        "belongs to marker and check, so take it out",
    ),
    "check framing without a check": (
        edited(BARE_LINK, ('"strobe"', '"check"')),
        'x.toml: framing.method: found "check"; the link has no check field to find frames by, '
        "so add a [check] table or frame by strobe or marker",
    ),
    "confirm 0 frames": (
        LINK + "confirm_frames = 0\n",
        "x.toml: framing.confirm_frames: found 0; give a whole number from 1 to 255",
    ),
    "release after 256 frames": (
        LINK + "release_frames = 256\n",
        "x.toml: framing.release_frames: found 256; give a whole number from 1 to 255",
    ),
    "held strobe without a gap": (
        BARE_LINK + 'span = "frame"\ngap_symbols = 0\n',
        "x.toml: framing.gap_symbols: found 0; a strobe held for the frame must rest between two "
        "frames, so give 1 or more",
    ),
    "gap too long": (
        BARE_LINK + "gap_symbols = 4097\n",
        "x.toml: framing.gap_symbols: found 4097; give a whole number from 0 to 4096",
    ),
    "marker without symbols": (
        edited(MARKED_LINK, ("symbols = [0xC5]\n", "")),
        "x.toml: framing.symbols: found nothing; give an array of symbols from 0 to 255 (8 lanes)",
    ),
    "marker of no symbols": (
        edited(MARKED_LINK, ("[0xC5]", "[]")),
        "x.toml: framing.symbols: found an array of 0; give an array of symbols from 0 to 255 (8 "
        "lanes)",
    ),
    "marker symbol that does not fit": (
        edited(MARKED_LINK, ("[0xC5]", "[1, 0x100]")),
        "x.toml: framing.symbols[1]: found 256; give a whole number from 0 to 255",
    ),
    "marker longer than the frame": (
        edited(MARKED_LINK, ("[0xC5]", "[1, 2, 3, 4, 5, 6]")),
        "x.toml: framing.symbols: found 6 symbols; a frame has 5, so give 5 or fewer",
    ),
    "marker over the check": (
        edited(MARKED_LINK, ("[0xC5]", "[1, 2, 3, 4, 5]")),
        "x.toml: framing.symbols: found 5 symbols; the check begins in symbol 4, so give 4 or "
        "fewer, or move check to the end",
    ),
    "marker over a check that comes first": (
        edited(
            MARKED_LINK,
            ('[[fields]]\nname = "check"\nbits = 8\n', ""),
            (
                '[[fields]]\nname = "flag"',
                '[[fields]]\nname = "check"\nbits = 8\n[[fields]]\nname = "flag"',
            ),
        ),
        "x.toml: framing.symbols: found 1 symbol; the first symbol holds bits of the check, so "
        "move check to the end",
    ),
    "confirming without a check": (
        edited(
            MARKED_LINK,
            ('[check]\nfield = "check"\nkind = "crc8_smbus"\n', ""),
        ),
        'x.toml: framing.rule: found "confirm"; the link has no check to confirm by, so add a '
        '[check] table or say "unique"',
    ),
    "confirming a unique marker": (
        edited(MARKED_LINK, ('rule = "confirm"', "confirm_frames = 3")),
        'x.toml: framing.confirm_frames: found a count besides rule "unique"; a unique marker '
        'needs no confirming, so take it out or say rule = "confirm"',
    ),
    # -- idle
    "idle of an unknown field": (
        LINK + "[idle]\nadress = 1\n",
        "x.toml: idle.adress: found a key that is not known here; did you mean address?",
    ),
    "idle of the check": (
        LINK + "[idle]\ncheck = 1\n",
        "x.toml: idle.check: found a value for the check field; it is worked out from the others, "
        "so take the line out",
    ),
    "idle that does not fit": (
        LINK + "[idle]\naddress = 0x10000\n",
        "x.toml: idle.address: found 65536; give a whole number from 0 to 65535, which 16 bits "
        "hold",
    ),
    "idle against a constant": (
        LINK + "[idle]\nflag = 8\n",
        "x.toml: idle.flag: found 8; the field is always 9 on this link, so take the line out",
    ),
    "idle in another space": (
        LINK + "[idle]\nspace = 1\n",
        "x.toml: idle.space: found 1; space 0 says idle, so take the line out",
    ),
    "idle against the marker": (
        MARKED_LINK + "[idle]\nunit = 4\n",
        "x.toml: idle.unit: found 4; the marker's symbols make it 5, so take the line out or "
        "change framing.symbols",
    ),
    "idle with a strobe": (
        BARE_LINK + "[idle]\naddress = 4\n",
        "x.toml: idle.address: found a value for idle frames; with a strobe nothing is sent "
        "between frames, so take [idle] out",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_refusal_says_file_place_found_and_remedy(name: str) -> None:
    text, wanted = CASES[name]
    assert message_of(text) == wanted


def test_rules_of_the_framing_are_asked_of_every_link() -> None:
    # Without space or a field that only idle frames set, a store of 0 to offset 0 is an idle frame.
    text = edited(BARE_LINK, ('method = "strobe"', 'method = "marker"\nsymbols = [0, 0, 0]'))
    assert message_of(text).startswith("x.toml: idle: found an idle frame 0x000000 that a store's")


def test_link_on_which_frames_cannot_be_found_can_be_read_by_those_who_ask_for_it() -> None:
    text = edited(LINK, ('kind = "hec_i432"', 'kind = "hec_i432"\nxor = 0'), ("value = 9\n", ""))
    assert message_of(text).startswith('x.toml: framing.method: found "check", but a stream of')
    link = parse_link(text, file=FILE, must_be_sound=False)
    assert link.check is not None
    assert link.check.xor == 0


def test_error_keeps_its_parts() -> None:
    with pytest.raises(DescriptionError) as caught:
        parse_link(edited(LINK, ("lanes = 4", "lanes = 0")), file=FILE)
    error = caught.value
    assert (error.file, error.place, error.found, error.wanted) == (
        "x.toml",
        "lanes",
        "0",
        "give a whole number from 1 to 16",
    )


# -- files


def load_message(source: str | Path) -> str:
    with pytest.raises(DescriptionError) as caught:
        load_link(source)
    return str(caught.value)


def test_missing_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "none.toml"
    assert load_message(path) == f"{path}: found no such file; give the path of a file"


def test_unknown_name_brings_the_shipped_links_to_mind() -> None:
    assert load_message("gaurded") == (
        "gaurded: found no such file; give the path of a link file or the name of a shipped link "
        "(did you mean guarded?)"
    )
    assert load_message("qqqqqq") == (
        "qqqqqq: found no such file; give the path of a link file or the name of a shipped link "
        "(shipped: guarded, lean, strobed, marked or serial)"
    )


def test_directory_is_refused(tmp_path: Path) -> None:
    assert load_message(tmp_path) == f"{tmp_path}: found a directory; give the path of a file"


def test_path_with_a_nul_is_refused() -> None:
    assert load_message("a\0b.toml") == (
        "a\\x00b.toml: found a path that no file can have; give the path of a file that can be read"
    )


def test_bytes_that_are_not_utf8_are_named(tmp_path: Path) -> None:
    path = tmp_path / "latin.toml"
    path.write_bytes(b'name = "\xe9t\xe9"\n')
    assert load_message(path) == (
        f"{path}: byte 8: found E9, which is not UTF-8; save the file as UTF-8 text"
    )


def test_file_that_is_no_small_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "film.toml"
    path.write_bytes(bytes(65_537))
    assert load_message(path) == (
        f"{path}: found more than 65,536 bytes; a description is a small text file, so give another"
    )


def test_file_name_stands_before_a_shipped_name_when_it_is_a_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "guarded").write_text(LINK, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert load_link("guarded").name == "guarded"
    assert load_link("./guarded").name == "small"


def test_choices_are_taken_in_capitals_too() -> None:
    shouted = edited(
        LINK,
        ('"both"', '"Both"'),
        ('"hec_i432"', '"HEC_I432"'),
        ('method = "check"', 'method = "CHECK"'),
    )
    assert parse_link(shouted, file="x.toml") == parse_link(LINK, file="x.toml")
