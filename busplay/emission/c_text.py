"""Pieces of C that templates ask for: types, constants, and the moves of a field's bits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from busplay.emission.bits import Run, type_bits

TABLE_COLUMNS = 8
_JOIN = "\n         | "


def c_type(bits: int) -> str:
    """Return the smallest unsigned type that holds as many bits."""
    return f"uint{type_bits(bits)}_t"


def constant(value: int, bits: int) -> str:
    """Return a constant in hex, of an unsigned type with at least as many bits."""
    digits = f"0x{value:0{-(-bits // 4)}X}"
    return f"{digits}u" if bits <= 16 else f"UINT{type_bits(bits)}_C({digits})"


def mask(value: int, bits: int) -> str:
    """Return a constant as `constant` does, without zeros in front."""
    return f"0x{value:X}u" if bits <= 16 else f"UINT{type_bits(bits)}_C(0x{value:X})"


def gathered(runs: Iterable[Run], word: str, word_bits: int) -> str:
    """Return the expression of a value whose bits are scattered in a word, in the word's type."""
    terms = []
    for run in runs:
        shifted = f"({word} >> {run.place})" if run.place else word
        term = f"{shifted} & {mask(run.mask, word_bits)}"
        terms.append(f"(({term}) << {run.value_bit})" if run.value_bit else f"({term})")
    return _JOIN.join(terms)


def scattered(runs: Iterable[Run], value: str, word_bits: int) -> str:
    """Return the expression of a value's bits at their positions in a word, in the word's type."""
    terms = []
    for run in runs:
        whole = f"(uint{word_bits}_t){value}"
        shifted = f"({whole} >> {run.value_bit})" if run.value_bit else whole
        term = f"{shifted} & {mask(run.mask, word_bits)}"
        terms.append(f"(({term}) << {run.place})" if run.place else f"({term})")
    return _JOIN.join(terms)


def table_rows(values: Sequence[int], bits: int) -> str:
    """Return the rows of a table's values."""
    shown = [constant(value, bits) for value in values]
    columns = TABLE_COLUMNS if bits <= 32 else TABLE_COLUMNS // 2
    rows = [", ".join(shown[at : at + columns]) for at in range(0, len(shown), columns)]
    return ",\n".join(f"    {row}" for row in rows)
