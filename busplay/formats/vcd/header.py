"""The declarations at the head of a value change dump."""

# Follows: IEEE 1364-2001, clause 18.2 (four-state VCD) and 18.4.2 (extended VCD: ports)
# Read in: tables of what real writers do; the standard itself from memory
# Departs: takes units of any number ("244 ns"), no $timescale, names of several words, any
#   words after $var's type, a size and id without a blank between ("1!"), a $var of two words
#   (a type that its writer cannot show), and a body that begins without $enddefinitions

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from busplay.errors import InputError
from busplay.formats.byte_source import ByteSource
from busplay.formats.capture_format import FormatOptions
from busplay.formats.quantities import find_timescale_ps
from busplay.formats.signal_choice import Variable

ASSUMED_TIMESCALE = "1 ns"
MAX_TOKEN_BYTES = 1 << 20
_TOKEN = re.compile(rb"[^\x00-\x20]+")
_RANGE = re.compile(r"(.*?)\[\s*(-?[0-9]{1,9})\s*(?::\s*(-?[0-9]{1,9})\s*)?\]")
_PORT_SIZE = re.compile(r"\[(-?[0-9]{1,9}):(-?[0-9]{1,9})\]")
_NO_WIRES = {"real", "real_parameter", "realtime", "shortreal", "string"}
_TEXT_COMMANDS = {b"$date", b"$version", b"$comment"}
_SIZE_AND_ID = re.compile(rb"([0-9]{1,9})([^0-9\x00-\x20].*)", re.DOTALL)
_RATE = re.compile(r"\bat\s+([0-9.]+\s*[kMG]?Hz)\b")

Token = tuple[bytes, int]


@dataclass(frozen=True, slots=True)
class VcdHeader:
    """What the head declares.

    Attributes:
        variables: in the order of the file; `place` counts distinct ids.
        ids: id of each place.
        timescale_ps: a tick in picoseconds.
        timescale: as text.
        body_at: byte at which the value changes begin.
        cut_reason: why the head is not whole, when that was let pass.
        written_by: `$version`.
        rate_text: a sampling rate that a comment states, or empty.
        notes: what was assumed.
    """

    variables: tuple[Variable, ...]
    ids: tuple[bytes, ...]
    timescale_ps: Fraction
    timescale: str
    body_at: int
    cut_reason: str
    written_by: str
    rate_text: str
    notes: tuple[str, ...]


def read_header(source: ByteSource, options: FormatOptions) -> VcdHeader:
    """Read the declarations.

    Args:
        source: the file; read from its start.
        options: a timescale overrides what the file says; with `keep_going` the head ends at
            damage, if a variable was declared before it.

    Raises:
        InputError: a command is unknown or incomplete, a variable is declared wrongly, the
            timescale is malformed, or the file ends before its first variable.
    """
    return _VcdHeaderParser(source, options).parse()


class _VcdHeaderParser:
    def __init__(self, source: ByteSource, options: FormatOptions) -> None:
        self._source = source
        self._options = options
        self._given = options.timescale
        self._scopes: list[str] = []
        self._variables: list[Variable] = []
        self._places: dict[bytes, int] = {}
        self._timescale: tuple[str, Fraction] | None = None
        self._texts: dict[bytes, list[str]] = {command: [] for command in _TEXT_COMMANDS}
        self._notes: list[str] = []
        self._at = 0

    def parse(self) -> VcdHeader:
        self._source.restart(text=True)
        try:
            return self._header(self._find_body(), "")
        except InputError as error:
            if not self._options.keep_going or not self._variables:
                raise
            reason = str(InputError(error.message, place=error.place))
        self._source.restart()
        return self._header(None, reason)

    def _find_body(self) -> int:
        """Take all declarations; return the byte behind them."""
        tokens = self._tokens()
        for command, at in tokens:
            self._at = at
            if command == b"$enddefinitions":
                end, after = next(tokens, (b"", at + len(command)))
                # Without its $end, the body begins right there.
                return after + len(end) if end == b"$end" else after
            if command == b"$enddefinitions$end":
                return at + len(command)
            if command[:1] != b"$" and self._variables:
                self._notes.append("no $enddefinitions: values begin at the first other word")
                return at
            if command.startswith(b"$dump") and self._variables:
                self._notes.append(f"no $enddefinitions before {command.decode('latin-1')}")
                return at
            if command[:1] != b"$":
                raise self._error(
                    f"{command[:40].decode('latin-1')!r} among the declarations",
                    "a value change dump begins with commands such as $timescale, $scope and $var",
                )
            if command.endswith(b"$end") and len(command) > 4:
                self._parse_command(command[:-4], [])
            else:
                self._parse_command(command, self._words(tokens, command))
        raise self._error(
            "the end of the file before the end of the declarations",
            "$enddefinitions $end and value changes follow them; the file was cut off",
        )

    def _header(self, body_at: int | None, cut_reason: str) -> VcdHeader:
        if self._given is not None:
            scale = find_timescale_ps(self._given)
            if scale is None:
                raise InputError(
                    found=f"timescale {self._given[:40]!r}",
                    wanted="write a number and s, ms, us, ns, ps or fs, such as 1ns",
                )
            text = self._given
            if self._timescale is not None:
                self._notes.append(
                    f"timescale {self._given} as given, not {self._timescale[0]} as in the file"
                )
        elif self._timescale is not None:
            text, scale = self._timescale
        else:
            text = ASSUMED_TIMESCALE
            scale = Fraction(1000)
            self._notes.append(f"no $timescale: {text} is assumed (--in-timescale gives another)")
        rate = _RATE.search(" ".join(self._texts[b"$comment"]))
        return VcdHeader(
            variables=tuple(self._variables),
            ids=tuple(self._places),
            timescale_ps=scale,
            timescale=text,
            body_at=self._source.bytes_total if body_at is None else body_at,
            cut_reason=cut_reason,
            written_by=" ".join(self._texts[b"$version"])[:200],
            rate_text=rate.group(1) if rate else "",
            notes=tuple(self._notes),
        )

    def _tokens(self) -> Iterator[Token]:
        """Return the words and where they begin; what is after the last one given is not lost."""
        rest = b""
        rest_at = 0
        for chunk in self._source.chunks(1 << 16):
            text = rest + chunk
            last_end = 0
            for match in _TOKEN.finditer(text):
                if match.end() == len(text):
                    break
                last_end = match.end()
                word = match.group()
                if rest_at == 0 and match.start() == 0:
                    word = word.removeprefix(b"\xef\xbb\xbf")
                yield word, rest_at + match.start()
            rest = text[last_end:].lstrip(b" \t\r\n")
            rest_at += len(text) - len(rest)
            if len(rest) > MAX_TOKEN_BYTES:
                raise self._error(
                    f"a word of more than {MAX_TOKEN_BYTES:,} bytes", "declarations are words"
                )
        last = _TOKEN.match(rest)
        if last is not None:
            yield last.group(), rest_at

    def _words(self, tokens: Iterator[Token], command: bytes) -> list[bytes]:
        """Take what stands between a command and its $end."""
        words: list[bytes] = []
        size = 0
        for word, at in tokens:
            if word == b"$end":
                return words
            if word.endswith(b"$end") and command not in _TEXT_COMMANDS:
                # Some writers forget the blank before it.
                return [*words, word[:-4]]
            if command not in _TEXT_COMMANDS and word in (b"$var", b"$scope", b"$enddefinitions"):
                self._at = at
                raise self._error(
                    f"{word.decode('ascii')} before the $end of {command.decode('latin-1')}",
                    "each command ends with $end",
                )
            size += len(word)
            if size <= MAX_TOKEN_BYTES:
                words.append(word)
        raise self._error(
            f"{command[:40].decode('latin-1')} without its $end",
            "each command ends with $end; the file was cut off here",
        )

    def _parse_command(self, command: bytes, raw_words: list[bytes]) -> None:
        if command == b"$var":
            self._add_variable(raw_words)
            return
        words = [_text(word) for word in raw_words]
        if command == b"$scope":
            self._scopes.append(" ".join(words[1:]))
        elif command == b"$upscope":
            if self._scopes:
                self._scopes.pop()
        elif command == b"$timescale":
            self._set_timescale(" ".join(words))
        elif command in _TEXT_COMMANDS:
            self._texts[command] += words[:100]
        # Other commands ($attrbegin and what simulators add) say nothing of wires.

    def _set_timescale(self, text: str) -> None:
        scale = find_timescale_ps(text)
        if scale is None:
            if self._given is None:
                raise self._error(
                    f"$timescale {text[:40]}",
                    "it is a number and s, ms, us, ns, ps or fs; --in-timescale 1ns sets it",
                )
            scale = Fraction(0)
        self._timescale = (text, scale)

    def _add_variable(self, raw_words: list[bytes]) -> None:
        if len(raw_words) == 3 and (both := _SIZE_AND_ID.fullmatch(raw_words[1])):
            raw_words[1:2] = both.groups()
        if len(raw_words) == 2 and not raw_words[0].isalpha():
            # A variable that its writer cannot show; its "values" are ids alone.
            raw_words[0:0] = [b"void", b"0"]
            self._notes.append(f"$var {_text(raw_words[3])} has no type and size: passed over")
        words = [_text(word) for word in raw_words]
        if len(words) < 3:
            raise self._error(
                f"$var {' '.join(words)[:40]}", "it is $var TYPE SIZE ID NAME $end, four words"
            )
        kind, size, _, *name_words = words
        bits = self._bits(size)
        left: int | None = None
        right: int | None = None
        name = " ".join(name_words)
        # An escaped name holds its brackets itself; a range stands apart from it.
        if not name.startswith("\\") or len(name_words) > 1:
            match = _RANGE.fullmatch(name)
            if match is not None and match.group(1).strip():
                name = match.group(1).strip()
                left = int(match.group(2))
                right = None if match.group(3) is None else int(match.group(3))
                if right is None and bits > 1:
                    # `mem[3]` of eight bits is a word of an array, no bit of a vector.
                    name, left = f"{name}[{left}]", None
        scopes = [scope for scope in self._scopes if scope]
        self._variables.append(
            Variable(
                base=".".join([*scopes, name]),
                bits=0 if kind in _NO_WIRES else bits,
                kind=kind,
                place=self._places.setdefault(raw_words[2], len(self._places)),
                left=left,
                right=right,
            )
        )

    def _bits(self, size: str) -> int:
        match = _PORT_SIZE.fullmatch(size)
        if match is not None:
            bits = abs(int(match.group(1)) - int(match.group(2))) + 1
        elif re.fullmatch(r"[0-9]{1,9}", size):
            bits = int(size)
        else:
            raise self._error(f"$var with size {size[:40]!r}", "a size is a whole number of bits")
        most = self._options.vector_bits_most
        if bits > most:
            raise self._error(
                f"a vector of {bits:,} bits",
                f"a vector has {most:,} bits at most (--max-unpacked {-(-bits // 10**6)}MB takes"
                " this one)",
            )
        return bits

    def _error(self, found: str, wanted: str) -> InputError:
        place = self._source.line_and_column(self._at)
        return InputError(found=found, wanted=wanted, file=self._source.file, place=place)


def _text(word: bytes) -> str:
    """Read a word as UTF-8; what is none is Latin-1, so that no two names become one."""
    try:
        return word.decode("utf-8")
    except UnicodeDecodeError:
        return word.decode("latin-1")
