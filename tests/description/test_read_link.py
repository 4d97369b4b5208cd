"""Link files: what they become, and every refusal word for word."""

from __future__ import annotations

from pathlib import Path

import pytest

from busplay.description.link import (
    Check,
    CheckFraming,
    Field,
    Link,
    MarkerFraming,
    StrobeFraming,
)
from busplay.errors import DescriptionError
from busplay.link.load import load_link, parse_link
from tests.description.writing import BARE_LINK, LINK, MARKED_LINK, edited, refusals

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


@pytest.mark.parametrize(("name", "text", "message"), refusals("refused_links.txt"))
def test_refusal_says_file_place_found_and_remedy(name: str, text: str, message: str) -> None:
    assert message_of(text) == message, name


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            'name = "x"\na = "' + "b" * 5000 + '"\n',
            ":2:1: found a line of 5,006 characters; give 5,000 or fewer",
        ),
        (
            "a = " + "[" * 4000,
            ": found arrays or tables nested too deeply; a description nests four deep at most",
        ),
        (
            edited(LINK, ("lanes = 4", "lanes = " + "9" * 4400)),
            ": found a number of thousands of digits; TOML's numbers have up to 64 bits",
        ),
        (
            edited(LINK, ("lanes = 4", "lanes = 0x" + "F" * 4000)),
            ": lanes: found a number of 16,000 bits; give a whole number from 1 to 16",
        ),
        (
            edited(LINK, ('"small"', '"' + "n" * 41 + '"')),
            ": name: found 41 characters; give 40 or fewer",
        ),
        (
            edited(LINK, ("lanes = 4", f'lanes = 4\ndescription = "{"x" * 4001}"')),
            ": description: found 4,001 characters; give 4000 or fewer",
        ),
    ],
)
def test_what_is_too_long_is_refused_with_its_limit(text: str, message: str) -> None:
    assert message_of(text) == FILE + message


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


def test_unknown_name_lists_the_shipped_links() -> None:
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
        f"{path}: found more than 65,536 bytes; a description is a small file, so give another"
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
