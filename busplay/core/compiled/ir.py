"""Write LLVM's intermediate representation from expressions.

A `Value` is a 64-bit integer of the machine code; arithmetic on values writes instructions. So
`(low + x) & 0xFF` in a template is what runs, and templates read as what they do. Conditions are
`Truth`s, made by methods (`below`, `equals`) and not by operators, so that no Python `if` can use
what is only known at run time.

Not here: types other than i64 and i1, loops, anything that needs an optimiser.
"""

from __future__ import annotations

from typing import TypeAlias

Number: TypeAlias = "Value | int"

# For out-of-line calls from functions that use most of the host's registers.
CALLED = "preserve_mostcc i64"
UNLIKELY = "!prof !0"
METADATA = '!0 = !{!"branch_weights", i32 1, i32 100000}\n'


class Body:
    """The instructions of one function, block after block."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.block = "entry"
        self._count = 0

    def name(self) -> str:
        """Return an unused name."""
        self._count += 1
        return f"%v{self._count}"

    def label(self) -> str:
        """Return an unused label."""
        self._count += 1
        return f"b{self._count}"

    def write(self, line: str) -> None:
        """Write an instruction without a result."""
        self.lines.append(f"  {line}")

    def let(self, expression: str) -> str:
        """Write an instruction and return its result's name."""
        name = self.name()
        self.lines.append(f"  {name} = {expression}")
        return name

    def value(self, expression: str) -> Value:
        """Write an instruction with an i64 result."""
        return Value(self, self.let(expression))

    def truth(self, expression: str) -> Truth:
        """Write an instruction with an i1 result."""
        return Truth(self, self.let(expression))

    def open_block(self, label: str) -> None:
        """Begin a block."""
        self.lines.append(f"{label}:")
        self.block = label

    def branch(
        self, condition: Truth, then: str, otherwise: str, *, unlikely: bool = False
    ) -> None:
        """Go to one of two blocks; `unlikely` applies to `then`."""
        hint = f", {UNLIKELY}" if unlikely else ""
        self.write(f"br i1 {condition.text}, label %{then}, label %{otherwise}{hint}")

    def call_pointer(self, address: Value, *pointers: Value) -> Value:
        """Call a C function at an address with pointers, and return its 32-bit result."""
        texts = ", ".join(f"i64 {pointer.text}" for pointer in pointers)
        function = self.let(f"inttoptr i64 {address.text} to ptr")
        found = self.let(f"call i32 {function}({texts})")
        return self.value(f"zext i32 {found} to i64")

    def jump(self, label: str) -> None:
        """Go to a block."""
        self.write(f"br label %{label}")

    def merge(self, *ways: tuple[Value, str]) -> Value:
        """Return the value from the block that this one was reached from."""
        texts = ", ".join(f"[ {value.text}, %{block} ]" for value, block in ways)
        return self.value(f"phi i64 {texts}")

    def call(self, function: str, *arguments: Value) -> Value:
        """Call a function that keeps the caller's registers, and return its result."""
        texts = "".join(f", i64 {argument.text}" for argument in arguments)
        return self.value(f"call {CALLED} @{function}(ptr %m{texts})")

    def definition(self, head: str) -> str:
        """Return the function's text; `head` is its name, arguments and attributes."""
        lines = "\n".join(self.lines)
        return f"define {head} {{\nentry:\n{lines}\n}}\n"

    @property
    def has_ended(self) -> bool:
        """Whether the present block has its return."""
        return self.lines[-1].startswith("  ret ")

    # Memory: all addresses are the base pointer and an offset in bytes.

    def load(self, base: str, offset: Number, *, bits: int) -> Value:
        """Load an unsigned number, lowest byte first; any alignment."""
        pointer = self._pointer(base, offset)
        if bits == 64:
            return self.value(f"load i64, ptr {pointer}, align 8")
        narrow = self.let(f"load i{bits}, ptr {pointer}, align 1")
        return self.value(f"zext i{bits} {narrow} to i64")

    def store(self, base: str, offset: Number, stored: Number, *, bits: int) -> None:
        """Store the lowest bits of a number."""
        pointer = self._pointer(base, offset)
        text = _text(stored)
        if bits == 64:
            self.write(f"store i64 {text}, ptr {pointer}, align 8")
            return
        narrow = self.let(f"trunc i64 {text} to i{bits}")
        self.write(f"store i{bits} {narrow}, ptr {pointer}, align 1")

    def load_pointer(self, base: str, offset: Number) -> str:
        """Load a pointer and return its name."""
        return self.let(f"load ptr, ptr {self._pointer(base, offset)}, align 8")

    def _pointer(self, base: str, offset: Number) -> str:
        # Variable and constant apart, so that the constant goes into the instruction.
        if isinstance(offset, Value) and offset.added:
            inner = self.let(f"getelementptr i8, ptr {base}, i64 {offset.text}")
            return self.let(f"getelementptr i8, ptr {inner}, i64 {offset.added}")
        return self.let(f"getelementptr i8, ptr {base}, i64 {_text(offset)}")


class Value:
    """An i64 of the generated code, with the integer operators that cannot fail."""

    __slots__ = ("added", "body", "text")

    def __init__(self, body: Body, text: str, added: int = 0) -> None:
        self.body = body
        self.text = text
        self.added = added

    def at(self, constant: int) -> Value:
        """Return this plus a constant, as an offset for loads and stores only."""
        return Value(self.body, self.text, self.added + constant)

    def __add__(self, other: Number) -> Value:
        return self._with("add", other)

    def __invert__(self) -> Value:
        return self._with("xor", -1)

    def __sub__(self, other: Number) -> Value:
        return self._with("sub", other)

    def __and__(self, other: Number) -> Value:
        return self._with("and", other)

    def __or__(self, other: Number) -> Value:
        return self._with("or", other)

    def __xor__(self, other: Number) -> Value:
        return self._with("xor", other)

    def __lshift__(self, bits: int) -> Value:
        return self._with("shl", bits)

    def __rshift__(self, bits: Number) -> Value:
        return self._with("lshr", bits)

    def _with(self, operation: str, other: Number) -> Value:
        return self.body.value(f"{operation} i64 {self.text}, {_text(other)}")

    def equals(self, other: Number) -> Truth:
        """Return whether the two are equal."""
        return self._compare("eq", other)

    def differs(self, other: Number) -> Truth:
        """Return whether the two are not equal."""
        return self._compare("ne", other)

    def below(self, other: Number) -> Truth:
        """Return whether this is less, both unsigned."""
        return self._compare("ult", other)

    def above(self, other: Number) -> Truth:
        """Return whether this is greater, both unsigned."""
        return self._compare("ugt", other)

    def used_up(self) -> Truth:
        """Return whether this is 0 or less, signed."""
        return self._compare("sle", 0)

    def negative(self) -> Truth:
        """Return whether this is negative, signed."""
        return self._compare("slt", 0)

    def has(self, bits: int) -> Truth:
        """Return whether any of these bits is set."""
        return (self & bits).differs(0)

    def _compare(self, how: str, other: Number) -> Truth:
        return self.body.truth(f"icmp {how} i64 {self.text}, {_text(other)}")


class Truth:
    """An i1 of the generated code."""

    __slots__ = ("body", "text")

    def __init__(self, body: Body, text: str) -> None:
        self.body = body
        self.text = text

    def choose(self, then: Number, otherwise: Number) -> Value:
        """Return one of two numbers; both are evaluated."""
        return self.body.value(f"select i1 {self.text}, i64 {_text(then)}, i64 {_text(otherwise)}")

    def both(self, other: Truth) -> Truth:
        """Return whether both hold."""
        return self.body.truth(f"and i1 {self.text}, {other.text}")

    def as_number(self) -> Value:
        """Return 1 or 0."""
        return self.body.value(f"zext i1 {self.text} to i64")


def _text(number: Number) -> str:
    return number.text if isinstance(number, Value) else str(number)
