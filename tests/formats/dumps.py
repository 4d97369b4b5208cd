"""Hypothesis-made value change dumps, as many kinds of writers would write them."""

from __future__ import annotations

from hypothesis import strategies as st

SCALARS = "01xXzZ"
VHDL_SCALARS = "01xzuUwWhHlL-"
ID_CHARACTERS = "".join(map(chr, range(33, 127)))


@st.composite
def dumps(draw: st.DrawFn, *, plain: bool = False) -> str:
    """Draw a dump that is right, at most 64 wires, in any layout of its white space.

    Args:
        plain: only the standard's four values and real numbers, one change a line.
    """
    codes = draw(
        st.lists(
            st.text(ID_CHARACTERS, min_size=1, max_size=9), min_size=1, max_size=9, unique=True
        )
    )
    alphabet = draw(st.sampled_from((SCALARS,) if plain else (SCALARS, VHDL_SCALARS)))
    end = draw(st.sampled_from(("\n",) if plain else ("\n", "\r\n", " ")))
    kinds: dict[str, int] = {}
    lines = [draw(st.sampled_from(("", "$version made up $end", "$comment two\nlines $end")))]
    number, unit = draw(st.sampled_from((1, 10, 100, 244))), draw(st.sampled_from("num"))
    lines.append(f"$timescale {number}{draw(st.sampled_from(('', ' ')))}{unit}s $end")
    depth = draw(st.integers(0, 3))
    lines += [f"$scope module level{level} $end" for level in range(depth)]
    for index, code in enumerate(codes):
        some = ("wire", "wire", "wire", "reg", "logic", "real")
        kind = draw(st.sampled_from(some if plain else (*some, "string")))
        bits = 1 if draw(st.booleans()) else draw(st.integers(1, 7))
        if kind in ("real", "string"):
            bits = 64
        kinds[code] = (-1 if plain else 0) if kind in ("real", "string") else bits
        span = ""
        if 1 < bits < 64:
            low = draw(st.integers(0, 3))
            ends = [low + bits - 1, low]
            if draw(st.booleans()):
                ends.reverse()
            span = draw(st.sampled_from(("", " "))) + f"[{ends[0]}:{ends[1]}]"
        lines.append(f"$var {kind} {bits} {code} name{index}{span} $end")
        if draw(st.integers(0, 5)) == 0:
            lines.append(f"$var {kind} {bits} {code} alias{index}{span} $end")
    lines += ["$upscope $end"] * depth + ["$enddefinitions $end"]
    time = draw(st.sampled_from((0, 0, 7, 10**6)))
    items: list[str] = []
    if draw(st.booleans()):
        items.append("$dumpvars")
        items += [_change(draw, code, kinds[code], alphabet) for code in codes]
        items.append("$end")
    for _ in range(draw(st.integers(0, 12))):
        items.append(f"#{time}")
        for _ in range(draw(st.integers(0, 4))):
            code = draw(st.sampled_from(codes))
            items.append(_change(draw, code, kinds[code], alphabet))
        match draw(st.integers(0, 12)):
            case 0:
                items.append("$comment 1! #3 b1 $end")
            case 1:
                items += ["$dumpoff", "$end", "$dumpon", "$end"]
            case 2:
                items.append("$dumpall $end")
        time += draw(st.sampled_from((0, 1, 1, 3, 1000)))
    if draw(st.booleans()):
        items.append(f"#{time}")
    text = "\n".join(lines) + "\n" + end.join(items)
    return text + (end if draw(st.booleans()) else "\n")


def _change(draw: st.DrawFn, code: str, bits: int, alphabet: str) -> str:
    if bits < 1:
        real = draw(st.sampled_from(("r1.5", "r-3e7", "rnan")))
        return f"{draw(st.sampled_from((real, 'sword', 's'))) if not bits else real} {code}"
    if bits == 1 and draw(st.booleans()):
        return draw(st.sampled_from(alphabet)) + code
    digits = draw(st.text(alphabet, min_size=1, max_size=bits))
    blanks = draw(st.sampled_from((" ", " ", "  ", "\t")))
    return f"{draw(st.sampled_from('bB'))}{digits}{blanks}{code}"
