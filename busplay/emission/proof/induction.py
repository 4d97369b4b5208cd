"""The emitted receiver, proved to do what the table of states says, for symbols without end.

How to think about it. The emitted receiver and the reference (`reference`) take the same symbols.
The syndromes are taken out of both and are free inputs, so that no check is left to be solved.
That a syndrome is right is another proof (`affine`); that it is asked of the right word is part of
this one. Yosys' solver shows by induction over clocks, from any reset on, that all registers,
counters and delivered frames are equal: if they are, and are in range, in as many clocks as the
induction is long, they are so in the next. So there is no bound to the clocks.

A mutant of the same text must be refuted, by symbols that lead from a reset to a difference. That
search has a bound: the clocks in which the first frame ends, or the second where the marker fills
the first, and a few more.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from subprocess import CompletedProcess

from busplay.emission.framing_model import COUNTERS
from busplay.emission.model import LinkModel
from busplay.emission.proof.reference import COUNTER_BITS, reference_module, reference_registers
from busplay.emission.proof.tools import Proof, judged, run
from busplay.emission.verilog_files import receiver_registers
from busplay.wording import counted

# An induction over one clock is enough, as all registers are compared.
LENGTH_MAX = 2
# Clocks of a reset, and from a frame's end to what it makes different.
_MORE_CLOCKS = 3
# What Yosys prints.
_SOLVED = "Solving problem with"
_PROVED = "Induction step proven: SUCCESS!"
_FOUND = "SAT solving finished - model found"


@dataclass(frozen=True, slots=True)
class Mutation:
    """A change of the emitted receiver that must be refuted.

    Attributes:
        name: what is changed.
        pattern: matches once, with the text to replace as its last group.
        replaced: what that becomes.
    """

    name: str
    pattern: str
    replaced: Callable[[str], str]

    def applied(self, text: str) -> str | None:
        """Return the mutant of a source; None: there is no single place to change."""
        found = list(re.finditer(self.pattern, text))
        if len(found) != 1:
            return None
        first, stop = found[0].span(found[0].lastindex or 0)
        return text[:first] + self.replaced(text[first:stop]) + text[stop:]


MUTATIONS = (
    Mutation("a transition", r"\{HUNT, \w+\}: transition = \{(\w+),", lambda _: "HUNT"),
    Mutation(
        "a limit",
        r"localparam \[\d+:0\] FRAME_SYMBOLS = \d+'h([0-9A-F]+);",
        lambda digits: f"{int(digits, 16) - 1:X}",
    ),
)


def prove_receiver(model: LinkModel, folder: Path) -> Iterator[Proof]:
    """Prove a folder's receiver equal to the table of states; mutants must be refuted.

    Args:
        model: the link.
        folder: with the emitted Verilog.
    """
    for symbols in (1, 2) if model.link.edges == "both" else (1,):
        name = "receiver equals the table of states"
        if model.link.edges == "both":
            name += f", {'two symbols' if symbols == 2 else 'one symbol'} a clock"
        if shutil.which("yosys") is None:
            yield Proof(name, "yosys", "not run", "yosys is not installed")
        else:
            yield _proved(model, symbols, name, folder)


def _proved(model: LinkModel, symbols: int, name: str, folder: Path) -> Proof:
    emitted = (folder / f"{model.ident}_receiver_core.v").read_text(encoding="utf-8")
    done = _solve(model, emitted, folder, symbols=symbols, clocks=None)
    if _SOLVED not in done.stdout:
        return judged(name, "yosys", done)
    frames = 2 if model.framing.marker else 1
    clocks = -(-frames * model.layout.frame_symbols // symbols) + _MORE_CLOCKS
    if _PROVED not in done.stdout:
        found = f"induction over {LENGTH_MAX} clocks does not close"
        if _is_refuted(model, emitted, folder, symbols=symbols, clocks=clocks):
            found = f"it differs from the table within {clocks} clocks of a reset"
        return Proof(name, "yosys", "failed", found)
    for mutation in MUTATIONS:
        mutant = mutation.applied(emitted)
        if mutant is None:
            found = f"no mutant with {mutation.name} changed can be made, so it proves nothing"
            return Proof(name, "yosys", "failed", found)
        if not _is_refuted(model, mutant, folder, symbols=symbols, clocks=clocks):
            found = f"a mutant with {mutation.name} changed is not refuted, so it proves nothing"
            return Proof(name, "yosys", "failed", found)
    length = int(re.findall(r"\[induction step (\d+)\]", done.stdout)[-1])
    changed = " and with ".join(one.name for one in MUTATIONS)
    detail = (
        f"by induction over {counted(length, 'clock')}, from any reset on, for all syndromes;"
        f" mutants with {changed} changed are refuted within {clocks} clocks"
    )
    return Proof(name, "yosys", "passed", detail, is_exhaustive=True)


def _is_refuted(model: LinkModel, emitted: str, folder: Path, *, symbols: int, clocks: int) -> bool:
    """Return whether some symbols lead from a reset to a difference within as many clocks."""
    done = _solve(model, emitted, folder, symbols=symbols, clocks=clocks)
    return _FOUND in done.stdout


def _solve(
    model: LinkModel, emitted: str, folder: Path, *, symbols: int, clocks: int | None
) -> CompletedProcess[str]:
    """Compare a receiver with the reference.

    Args:
        model: the link.
        emitted: source of the receiver.
        folder: with the syndrome's source.
        symbols: how many a clock takes.
        clocks: search for a difference after as many; None: prove that there is none.
    """
    (folder / "proved.v").write_text(emitted, encoding="utf-8")
    text = reference_module(model, symbols=symbols)
    text += comparison(model, symbols=symbols, is_whole=clocks is None)
    (folder / "reference.v").write_text(text, encoding="utf-8")
    core, syndrome = f"{model.ident}_receiver_core", f"{model.ident}_syndrome"
    goal = f"-tempinduct -maxsteps {LENGTH_MAX} -prove differs 0"
    if clocks is not None:
        every = (1 << symbols) - 1
        goal = f"-seq {clocks} -set reset 0 -set-at 1 reset 1 -set take {every}"
        goal += f" -set-at {clocks} differs 1"
    exposed = " ".join(f"{core}/w:{name}" for name in _registers(model))
    steps = [
        "read_verilog proved.v",
        f"read_verilog -lib {syndrome}.v" if model.can_fail else "",
        f"hierarchy -top {core} -chparam SYMBOLS {symbols}",
        f"rename -top {core}",
        "proc; opt_clean",
        f"expose {exposed}",
        f"expose -evert {core}/t:{syndrome}" if model.can_fail else "",
        "read_verilog reference.v",
        "hierarchy -top compared",
        # What is undefined may be anything; the optimizer would choose what suits it.
        "proc; flatten; setundef -undriven -anyseq",
        "opt -full",
        f"sat {goal} compared",
    ]
    return run(["yosys", "-Q", "-p", "; ".join(filter(None, steps))], folder)


def _registers(model: LinkModel) -> list[str]:
    """Return the receiver's registers that are no outputs."""
    filled = [] if model.framing.method == "strobe" else ["filled"]
    return ["window", "position", *filled, *(name for name, _, _ in receiver_registers(model))]


def comparison(model: LinkModel, *, symbols: int, is_whole: bool) -> str:
    """Return the source of a module `compared`: the emitted receiver beside the reference.

    Args:
        model: the link.
        symbols: how many a clock takes.
        is_whole: `differs` is 1 in a clock in which anything differs or is out of range; False: it
            is 1 from a clock on in which the state, the position or a delivery differs, which is
            less to solve.
    """
    layout = model.layout
    frame_bits, syndrome_bits = layout.frame_bits, layout.syndrome_bits
    widths = {
        **reference_registers(model),
        **dict.fromkeys(COUNTERS, COUNTER_BITS),
        "frame_valid": 1,
        "frame_word": frame_bits,
        "frame_first": COUNTER_BITS,
    }
    narrow = ["state", "position", "frame_valid"]
    compared = ["state", "frame_valid", *_registers(model), *COUNTERS]
    terms = [f"our_{name} != their_{name}" for name in (compared if is_whole else narrow)]
    if is_whole:
        words = "our_frame_word != their_frame_word || our_frame_first != their_frame_first"
        terms += [f"(our_frame_valid && ({words}))", "!in_range"]
    lines = [
        "module compared (",
        "    input wire clock, input wire reset,",
        f"    input wire [{symbols - 1}:0] take,",
        f"    input wire [{symbols * model.symbol_bits - 1}:0] symbols,",
        f"    input wire [{symbols * max(1, syndrome_bits) - 1}:0] syndromes,",
        "    output wire differs);",
        f"    wire [{symbols * frame_bits - 1}:0] asked;",
        f"    wire [{symbols - 1}:0] asks;",
        "    wire in_range;",
    ]
    emitted = [".clock(clock)", ".reset(reset)", ".take(take)", ".symbols(symbols)"]
    reference = [*emitted, ".syndromes(syndromes)"]
    for name, bits in widths.items():
        lines.append(f"    wire [{bits - 1}:0] their_{name}, our_{name};")
        reference.append(f".{name}(their_{name})")
        if name in (*compared, "frame_word", "frame_first"):
            emitted.append(f".{name}(our_{name})")
    reference += [".asked(asked)", ".asks(asks)", ".in_range(in_range)"]
    for at in range(symbols if model.can_fail else 0):
        lines.append(f"    wire [{frame_bits - 1}:0] word_{at};")
        emitted.append(f".\\after[{at}].of_window.word (word_{at})")
        given = f"syndromes[{at * syndrome_bits} +: {syndrome_bits}]"
        emitted.append(f".\\after[{at}].of_window.syndrome ({given})")
        if is_whole:
            wanted = f"asked[{at * frame_bits} +: {frame_bits}]"
            terms.append(f"(asks[{at}] && word_{at} != {wanted})")
    lines.append(f"    {model.ident}_receiver_core emitted ({', '.join(emitted)});")
    lines.append(f"    reference reference ({', '.join(reference)});")
    lines.append("    reg was_reset = 1'b0;")
    lines.append("    always @(posedge clock) was_reset <= was_reset || reset;")
    lines.append(f"    wire differ = was_reset && ({' || '.join(terms)});")
    if is_whole:
        lines.append("    assign differs = differ;")
    else:
        lines.append("    reg differed = 1'b0;")
        lines.append("    always @(posedge clock) differed <= differs;")
        lines.append("    assign differs = differ || differed;")
    return "\n".join([*lines, "endmodule", ""])
