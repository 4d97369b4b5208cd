"""A link as every template reads it: positions, masks, tables and figures, worked out once.

How to think about it. Templates hold no arithmetic: whatever a file in C, a header or a data sheet
says about a link stands here as a number, worked out from the same `FrameLayout`, rules and table
of states as busplay's own sender and receiver. The check is an exception: it is given as a
generator polynomial, since firmware divides, while busplay adds columns. So the two agree only if
both are right.

Not here: a unit's display memory and registers (`units`), test vectors (`vectors`).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from busplay.analysis.budget import LinkBudget, link_budget
from busplay.analysis.plan import DEFAULT_PROCESSOR_HZ
from busplay.description.board import Board
from busplay.description.link import Field, Link
from busplay.emission.bits import Run, runs_of, type_bits
from busplay.emission.framing_model import (
    FramingModel,
    TransitionModel,
    framing_model,
    transitions_of,
)
from busplay.emission.names import FileLines, identifier, member_name
from busplay.explain.link_facts import MEANING_OF_KNOWN, polynomial_text
from busplay.link.check_field import check_columns, remainder
from busplay.link.layout import FrameLayout
from busplay.link.wire_digest import wire_digest
from busplay.receiver.rules import Rules, receiver_rules


@dataclass(frozen=True, slots=True)
class FieldModel:
    """One field of a frame.

    Attributes:
        name: in the link file.
        ident: as the member of a struct.
        bits: width.
        order: in which its bits go out.
        value: constant in every frame, or None.
        is_check: the check field.
        is_input: a sender's caller fills it.
        runs: where its bits are.
        mask: its bits in the word.
        meaning: what it carries.
        line: line of the link file that names it; None: unknown.
    """

    name: str
    ident: str
    bits: int
    order: str
    value: int | None
    is_check: bool
    is_input: bool
    runs: tuple[Run, ...]
    mask: int
    meaning: str
    line: int | None

    @property
    def value_mask(self) -> int:
        """All ones of the field's width."""
        return (1 << self.bits) - 1


@dataclass(frozen=True, slots=True)
class CheckModel:
    """The check field, as a generator polynomial.

    Attributes:
        field: the field that holds it.
        bits: width.
        kind: name in the catalogue, or `custom`.
        polynomial: without its highest term.
        polynomial_text: written out.
        initial, xor: start value of the register; XORed to the remainder.
        of_zeros: check of a frame whose covered bits are all 0; start value and XOR in one.
        covered: the covered bits as runs of a message, its last bit at 0; in wire order.
        covered_bits: length of the message.
        covered_names: names of the covered fields.
        register_bits: width of the register that divides: 8, 16, 32 or 64.
        aligned_polynomial: the polynomial at the register's upper end.
        nibble_table, byte_table: what the next 4 or 8 bits add to such a register.
        columns: change of the check, computed against received, by each bit of the word, first
            on the wire first.
        rows: for each bit of the check, lowest first, the word's bits whose sum it is, its own
            included.
        line: line of the link file with the table.
    """

    field: FieldModel
    bits: int
    kind: str
    polynomial: int
    polynomial_text: str
    initial: int
    xor: int
    of_zeros: int
    covered: tuple[Run, ...]
    covered_bits: int
    covered_names: tuple[str, ...]
    register_bits: int
    aligned_polynomial: int
    nibble_table: tuple[int, ...]
    byte_table: tuple[int, ...]
    columns: tuple[int, ...]
    rows: tuple[int, ...]
    line: int | None


@dataclass(frozen=True, slots=True)
class TimeModel:
    """The time that both ends have, from the plan.

    Attributes:
        budget: of the link.
        processor_hz_assumed: no board says what the processor's clock is.
        slot_ns: from one frame's start to the next, rounded down.
        symbol_ps: how long a symbol stands, rounded down.
        fifo_depth, deadline_ns, service_ns: of the board's receiver; None without a board, or
            without a deadline.
    """

    budget: LinkBudget
    processor_hz_assumed: bool
    slot_ns: int
    symbol_ps: int
    fifo_depth: int | None
    deadline_ns: int | None
    service_ns: int | None


@dataclass(frozen=True, slots=True)
class LinkModel:
    """All that templates say of a link.

    Attributes:
        link: the description.
        board: the board behind it, or None.
        layout, rules: as busplay's own two ends have them.
        ident: the link's name as a part of identifiers, in small letters.
        file: name of the link file, without its folder; empty: it was made in code.
        wire_digest: digest of the wire format.
        word_bits: 32 or 64: the type that holds a frame.
        symbol_bits: wires of a symbol, the strobe included.
        symbol_type_bits: 8, 16 or 32: the type that holds a symbol.
        fields: in wire order.
        check: None: the link has none.
        constant_mask, constant_word: bits that are constant, and their values.
        space_mask: bits of the field space; 0: there is none.
        sequence_bits: bits of the sequence number that are compared; 0: there is none.
        corrects: one invalid bit is corrected.
        can_fail: some words are invalid.
        framing: how frames are found.
        transitions: the table of states, every state and event.
        time: what both ends have.
    """

    link: Link
    board: Board | None
    layout: FrameLayout
    rules: Rules
    ident: str
    file: str
    wire_digest: str
    word_bits: int
    symbol_bits: int
    symbol_type_bits: int
    fields: tuple[FieldModel, ...]
    check: CheckModel | None
    constant_mask: int
    constant_word: int
    space_mask: int
    sequence_bits: int
    corrects: bool
    can_fail: bool
    framing: FramingModel
    transitions: tuple[TransitionModel, ...]
    time: TimeModel

    @property
    def sources(self) -> tuple[str, ...]:
        """Names of the files that it was described in."""
        board = Path(self.board.file).name if self.board else ""
        return tuple(name for name in (board, self.file) if name)

    @property
    def frame_mask(self) -> int:
        """All bits of a word."""
        return (1 << self.layout.frame_bits) - 1

    @property
    def inputs(self) -> tuple[FieldModel, ...]:
        """The fields that a sender's caller fills."""
        return tuple(one for one in self.fields if one.is_input)

    @property
    def sequence(self) -> FieldModel | None:
        """The sequence field."""
        return self.field_named("sequence")

    @property
    def is_reversed(self) -> bool:
        """Whether the lowest lane carries a symbol's first bit."""
        return self.rules.shape.is_reversed

    def field_named(self, name: str) -> FieldModel | None:
        """Return a field by name, or None."""
        return next((one for one in self.fields if one.name == name), None)


def link_model(link: Link, board: Board | None, *, lines: FileLines) -> LinkModel:
    """Work out all that templates say of a link.

    Args:
        link: a sound one.
        board: that has it; None: the link alone.
        lines: where the link file has its parts.

    Raises:
        DescriptionError: the board's receiver is to correct a bit that the check cannot locate.
    """
    layout = FrameLayout(link)
    corrects = board is not None and board.receiver.correct_one_bit
    rules = receiver_rules(layout, correct_one_bit=corrects)
    fields = tuple(_field_model(layout, one, lines) for one in link.fields)
    constant_mask = sum(one.mask for one in fields if one.value is not None)
    constants = {one.name: one.value for one in link.fields if one.value is not None}
    check = _check_model(layout, fields, lines)
    framing = framing_model(layout, rules, lines)
    can_fail = layout.syndrome_bits > 0
    symbol_bits = layout.lanes + (1 if framing.strobe_mask else 0)
    return LinkModel(
        link=link,
        board=board,
        layout=layout,
        rules=rules,
        ident=identifier(link.name, otherwise="link"),
        file=lines.file,
        wire_digest=wire_digest(link),
        word_bits=32 if layout.frame_bits <= 32 else 64,
        symbol_bits=symbol_bits,
        symbol_type_bits=type_bits(symbol_bits),
        fields=fields,
        check=check,
        constant_mask=constant_mask,
        constant_word=int(layout.pack(**constants)[0]) & constant_mask,
        space_mask=int(rules.space_mask),
        sequence_bits=int(rules.sequence_mask).bit_length(),
        corrects=corrects,
        can_fail=can_fail,
        framing=framing,
        transitions=transitions_of(framing, can_fail=can_fail, corrects=corrects),
        time=_time_model(link, board),
    )


def _field_model(layout: FrameLayout, field: Field, lines: FileLines) -> FieldModel:
    places = layout.bit_places(field.name)
    check = layout.link.check
    is_check = check is not None and field.name == check.field
    meaning = "the check" if is_check else MEANING_OF_KNOWN.get(field.name, "")
    if field.value is not None:
        meaning = f"always {field.value}"
    return FieldModel(
        name=field.name,
        ident=member_name(field.name),
        bits=field.bits,
        order=field.order,
        value=field.value,
        is_check=is_check,
        is_input=field.value is None and not is_check,
        runs=runs_of(places),
        mask=sum(1 << place for place in places),
        meaning=meaning or "as the caller says",
        line=lines.fields.get(field.name),
    )


def _check_model(
    layout: FrameLayout, fields: tuple[FieldModel, ...], lines: FileLines
) -> CheckModel | None:
    check = layout.link.check
    if check is None:
        return None
    bits = layout.check_bits
    covered = sorted(place for name in check.covers for place in layout.bit_places(name))
    of_zeros, _ = check_columns(
        len(covered),
        polynomial=check.polynomial,
        check_bits=bits,
        initial=check.initial,
        xor=check.xor,
    )
    check_mask = (1 << bits) - 1
    columns = tuple(column & check_mask for column in layout.syndrome_columns)
    top = layout.frame_bits - 1
    return CheckModel(
        field=next(one for one in fields if one.is_check),
        bits=bits,
        kind=check.kind,
        polynomial=check.polynomial,
        polynomial_text=polynomial_text(check.polynomial, bits),
        initial=check.initial,
        xor=check.xor,
        of_zeros=of_zeros,
        covered=runs_of(tuple(covered)),
        covered_bits=len(covered),
        covered_names=check.covers,
        register_bits=type_bits(bits),
        aligned_polynomial=check.polynomial << (type_bits(bits) - bits),
        nibble_table=_division_table(check.polynomial, bits, step_bits=4),
        byte_table=_division_table(check.polynomial, bits, step_bits=8),
        columns=columns,
        rows=tuple(
            sum(1 << (top - index) for index, column in enumerate(columns) if column >> bit & 1)
            for bit in range(bits)
        ),
        line=lines.check,
    )


def _division_table(polynomial: int, bits: int, *, step_bits: int) -> tuple[int, ...]:
    """Return the remainder of each value of the next bits, at the register's upper end."""
    spare = type_bits(bits) - bits
    return tuple(
        remainder(
            [value >> place & 1 for place in reversed(range(step_bits))],
            polynomial=polynomial,
            check_bits=bits,
        )
        << spare
        for value in range(1 << step_bits)
    )


def _time_model(link: Link, board: Board | None) -> TimeModel:
    processor_hz = board.clock_hz if board else DEFAULT_PROCESSOR_HZ
    budget = link_budget(link, processor_hz=processor_hz)
    receiver = board.receiver if board else None
    return TimeModel(
        budget=budget,
        processor_hz_assumed=board is None and link.clock_hz is None,
        slot_ns=int(budget.slot_ns),
        symbol_ps=int(budget.symbol_ns * Fraction(1000)),
        fifo_depth=receiver.fifo_depth if receiver else None,
        deadline_ns=receiver.deadline_ns if receiver else None,
        service_ns=receiver.service_ns if receiver else None,
    )
