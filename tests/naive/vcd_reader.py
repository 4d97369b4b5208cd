"""A slow, obvious reader of value change dumps, written from IEEE 1364.

One word after the other, every bit in a dictionary. It takes only what is right; nothing of the
reader that it judges is used.
"""

from __future__ import annotations

from fractions import Fraction

UNITS_PS = {"s": 10**12, "ms": 10**9, "us": 10**6, "ns": 1000, "ps": 1, "fs": Fraction(1, 1000)}
LEVELS = {"0": "0", "1": "1", "l": "0", "h": "1"}

Row = tuple[int, int, int]


def read_vcd(text: str) -> tuple[list[str], list[Row], dict[str, int], int, int]:
    """Return names of all wires, rows, values recorded of each variable, first and last time."""
    words = text.split()
    scopes: list[str] = []
    wires: list[tuple[str, str, int]] = []
    widths: dict[str, int] = {}
    names: dict[str, list[str]] = {}
    scale = Fraction(1000)
    counts: dict[str, int] = {}
    at = 0
    while words[at] != "$enddefinitions":
        end = words.index("$end", at)
        inside = words[at + 1 : end]
        if words[at] == "$scope":
            scopes.append(inside[1])
        elif words[at] == "$upscope":
            scopes.pop()
        elif words[at] == "$timescale":
            joined = "".join(inside)
            digits = joined.rstrip("smunpf")
            scale = Fraction(int(digits)) * UNITS_PS[joined[len(digits) :]]
        elif words[at] == "$var":
            kind, size, code, name = inside[:4]
            full = ".".join([*scopes, name])
            bits = 0 if kind in ("real", "string") else int(size)
            if len(inside) > 4:
                full += inside[4]
            if code not in widths:
                widths[code] = bits
                base = full.split("[")[0]
                low = 0
                step = 1
                if "[" in full and ":" in full:
                    left, right = full.split("[")[1].rstrip("]").split(":")
                    low = int(right)
                    step = 1 if int(left) >= int(right) else -1
                for bit in range(bits):
                    bit_name = full if bits == 1 else f"{base}[{low + bit * step}]"
                    wires.append((bit_name, code, bit))
            names.setdefault(code, []).append(full)
            counts[full] = 0
        at = end + 1
    at = words.index("$end", at) + 1

    state = {(code, bit): "x" for _, code, bit in wires}
    rows: list[Row] = []
    first = last = None

    def set_value(code: str, digits: str) -> None:
        for name in names[code]:
            counts[name] += 1
        width = widths[code]
        lead = digits[0].lower()
        fill = "0" if lead in "01lh" else lead
        digits = digits[-width:].rjust(width, fill) if width else ""
        for bit in range(width):
            state[code, bit] = LEVELS.get(digits[width - 1 - bit].lower(), "x")

    def close_time(time: int) -> None:
        level = unknown = 0
        for index, (_, code, bit) in enumerate(wires):
            if state[code, bit] == "1":
                level |= 1 << index
            elif state[code, bit] == "x":
                unknown |= 1 << index
        if not rows or rows[-1][1:] != (level, unknown):
            rows.append((time, level, unknown))

    while at < len(words):
        word = words[at]
        at += 1
        if word[0] == "#":
            time = int(Fraction(word[1:]) * scale)
            if last is None and any(counts.values()):
                first = last = 0
            if last is not None and time != last:
                close_time(last)
            if first is None:
                first = time
            last = time
        elif word == "$comment":
            at = words.index("$end", at) + 1
        elif word[0] == "$":
            continue
        elif word[0] in "bB":
            set_value(words[at], word[1:])
            at += 1
        elif word[0] in "rRs":
            for name in names[words[at]]:
                counts[name] += 1
            at += 1
        else:
            set_value(word[1:], word[0])
    if last is not None:
        close_time(last)
    elif any(counts.values()):
        close_time(0)
    return [name for name, _, _ in wires], rows, counts, first or 0, last or 0
