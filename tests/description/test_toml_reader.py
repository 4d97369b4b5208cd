"""The typed reader by itself: what its users rely on beyond the files of today."""

from __future__ import annotations

import pytest

from busplay.description.toml_reader import (
    Table,
    nearest,
    one_of,
    parse_toml,
    show_address,
    show_number,
    show_string,
    show_value,
)
from busplay.errors import BusplayError, DescriptionError


def table_of(text: str, *keys: str) -> Table:
    return Table(parse_toml(text, file="x.toml"), file="x.toml", keys=keys)


@pytest.mark.parametrize("written", ["31", "0x1F", "0x1f", "0b11111", "0o37", "3_1"])
def test_numbers_may_be_written_in_any_of_tomls_bases(written: str) -> None:
    assert table_of(f"a = {written}", "a").integer("a", 0, 31) == 31


@pytest.mark.parametrize("value", [3, 9])
def test_ends_of_a_range_are_included(value: int) -> None:
    assert table_of(f"a = {value}", "a").integer("a", 3, 9) == value


@pytest.mark.parametrize("value", [2, 10])
def test_values_next_to_a_range_are_refused(value: int) -> None:
    with pytest.raises(DescriptionError):
        table_of(f"a = {value}", "a").integer("a", 3, 9)


def test_asking_for_a_key_that_the_table_was_not_opened_with_is_a_mistake_of_ours() -> None:
    with pytest.raises(ValueError, match="opened without the key 'b'"):
        table_of("a = 1", "a").integer("b", 0, 1)


def test_place_names_every_table_on_the_way() -> None:
    text = "[[a]]\n[[a]]\n[[a.b]]\n[a.b.c]\nd = 1\n"
    inner = table_of(text, "a").tables("a", ("b",))[1].tables("b", ("c",))[0].table("c", ("d",))
    assert inner.place_of("d") == "a[1].b[0].c.d"


def test_place_quotes_a_key_that_is_not_plain() -> None:
    assert table_of("", "a").place_of("a b") == '"a b"'


def test_line_and_column_stand_in_one_piece_with_the_file() -> None:
    error = BusplayError("wrong", file="x.toml", place="3:14")
    assert str(error) == "x.toml:3:14: wrong"
    assert str(BusplayError("wrong", place="3:14")) == "3:14: wrong"
    assert str(BusplayError("wrong", file="x.toml", place="a.b")) == "x.toml: a.b: wrong"


def test_syntax_error_past_crlf_lines_counts_as_an_editor_does() -> None:
    with pytest.raises(DescriptionError) as caught:
        parse_toml("a = 1\r\nb = 2\r\nc 3\r\n", file="x.toml")
    assert caught.value.place == "3:3"
    assert caught.value.found == '"c 3"'


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", '"plain"'),
        ("", '""'),
        ('a"b\\c', '"a\\"b\\\\c"'),
        ("a\tb\nc\r", '"a\\tb\\nc\\r"'),
        ("\x1b[31m", '"\\x1b[31m"'),
        ("é", '"é"'),
        ("\u202e", '"\\u202e"'),
        ("x" * 40, f'"{"x" * 40}"'),
        ("x" * 41, f'"{"x" * 40}..."'),
    ],
)
def test_users_text_is_shown_short_and_harmless(text: str, shown: str) -> None:
    assert show_string(text) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (True, "true, a boolean"),
        (12, "12"),
        (-12, "-12"),
        (1.5, "1.5, a float"),
        (float("nan"), "nan, a float"),
        ("a", '"a", a string'),
        ([1, 2], "an array of 2"),
        ({}, "a table"),
        (None, "nothing"),
        (10**20 - 1, "9" * 20),
        (10**20, "a number of 67 bits"),
    ],
)
def test_found_value_is_shown_with_its_type(value: object, shown: str) -> None:
    assert show_value(value) == shown


def test_number_too_long_for_python_to_print_is_shown_by_its_size() -> None:
    assert show_value(-(10**6000)) == "a number of 19,932 bits"


def test_addresses_are_shown_as_6502_people_write_them() -> None:
    assert [show_address(one) for one in (0, 0x4000, 0xFFFF, 0x12345)] == [
        "$0000",
        "$4000",
        "$FFFF",
        "$12345",
    ]
    assert show_address(-1) == show_number(-1) == "-1"


def test_nearest_name_is_found_whatever_its_case() -> None:
    assert nearest("LANES", ("lanes", "edges")) == "lanes"
    assert nearest("zzz", ("lanes", "edges")) is None
    assert nearest("lanes" * 100, ("lanes",)) is None


def test_options_are_listed_as_people_say_them() -> None:
    assert one_of(["a"]) == '"a"'
    assert one_of(["a", "b"]) == '"a" or "b"'
    assert one_of(["a", "b", "c"], quoted=False) == "a, b or c"
