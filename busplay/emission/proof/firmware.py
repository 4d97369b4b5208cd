"""The emitted C, compiled and run with what is installed; sizes and cycles on two targets.

How to think about it. The files are written to a folder of their own and given to each tool. A
tool that is missing is told of, never taken for a success. The self-test runs under the sanitizers,
once for each way to divide the check. Sizes are of `-Os`; cycles are bounds (`cycles`) for `-Os`
without inlining, so that each loop stays in the function of the source that bounds it.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from busplay.emission.framing_model import COUNTERS
from busplay.emission.model import LinkModel
from busplay.emission.proof.cycles import CycleBounds, Listing, Machine, NoBoundError
from busplay.emission.proof.tools import Proof, judged, run
from busplay.emission.rendering import RenderedFile

STRICT = ("-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Werror")
SANITIZED = ("-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
HOSTS = ("gcc", "clang")
METHODS = ("BITWISE", "NIBBLE_TABLE", "BYTE_TABLE")
CPPCHECK = ("--std=c99", "--enable=warning,style,performance,portability", "--error-exitcode=1")
NIBBLE_BITS = 4
# Loops of the compilers' own libraries: shifts of 64 bits, by whole bytes and then by bits.
LIBRARY_ROUNDS = dict.fromkeys(("__lshrdi3", "__ashldi3", "__ashrdi3"), 8)


@dataclass(frozen=True, slots=True)
class TargetFigures:
    """The firmware on a target.

    Attributes:
        target: name of the processor.
        compiler: its first line about its version.
        code_bytes: code and tables of sender and receiver, `-Os`.
        receiver_bytes: of a receiver's state.
        symbol_cycles: at most, for a symbol given by itself; None: no bound was found.
        frame_cycles: at most, for a frame given symbol by symbol; None likewise.
        packed_frame_cycles: at most, to take a frame at once in sync and judge it; None likewise.
    """

    target: str
    compiler: str
    code_bytes: int
    receiver_bytes: int
    symbol_cycles: int | None
    frame_cycles: int | None
    packed_frame_cycles: int | None


@dataclass(frozen=True, slots=True)
class Target:
    """A cross compiler.

    Attributes:
        name: of the processor.
        prefix: of the tools' names.
        flags: that name the processor.
        machine: whose instructions it makes.
    """

    name: str
    prefix: str
    flags: tuple[str, ...]
    machine: Machine


TARGETS = (
    Target("Cortex-M0+", "arm-none-eabi-", ("-mcpu=cortex-m0plus", "-mthumb"), "cortex-m0plus"),
    Target("ATmega328P", "avr-", ("-mmcu=atmega328p",), "avr"),
)


def prove_firmware(
    model: LinkModel, files: Sequence[RenderedFile]
) -> tuple[tuple[Proof, ...], tuple[TargetFigures, ...]]:
    """Compile, check and run the C files; return what the tools say, and the figures."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        for one in files:
            (folder / one.path.name).write_bytes(one.content)
        proofs = [*_on_hosts(model, folder), _cppcheck(folder)]
        figures = []
        for target in TARGETS:
            proof, found = try_target(model, target, folder)
            proofs.append(proof)
            if found is not None:
                figures.append(found)
        return tuple(proofs), tuple(figures)


def _on_hosts(model: LinkModel, folder: Path) -> Iterator[Proof]:
    sources = [folder / f"{model.ident}_link.c", folder / f"{model.ident}_test.c"]
    capitals = model.ident.upper()
    for compiler in HOSTS:
        for method in METHODS if model.check else METHODS[:1]:
            name = f"self-test, check {method.lower().replace('_', ' ')}"
            if shutil.which(compiler) is None:
                yield Proof(name, compiler, "not run", f"{compiler} is not installed")
                continue
            program = folder / "self_test"
            flags = (
                f"-D{capitals}_TEST_MAIN",
                f"-D{capitals}_CHECK_METHOD={capitals}_CHECK_{method}",
            )
            done = run([compiler, *STRICT, *SANITIZED, *flags, *sources, "-o", program])
            if done.returncode == 0:
                done = run([program])
            yield judged(name, compiler, done)
        yield _all_compile(compiler, folder)


def _all_compile(compiler: str, folder: Path, *flags: str) -> Proof:
    name = "all sources, no warning"
    if shutil.which(compiler) is None:
        return Proof(name, compiler, "not run", f"{compiler} is not installed")
    for source in sorted(folder.glob("*.c")):
        done = run([compiler, *STRICT, *flags, "-O2", "-c", source, "-o", folder / "object.o"])
        if done.returncode != 0:
            return judged(name, compiler, done)
    return Proof(name, compiler, "passed")


def _cppcheck(folder: Path) -> Proof:
    name = "static analysis"
    if shutil.which("cppcheck") is None:
        return Proof(name, "cppcheck", "not run", "cppcheck is not installed")
    return judged(name, "cppcheck", run(["cppcheck", "-q", *CPPCHECK, *sorted(folder.glob("*.c"))]))


def try_target(
    model: LinkModel, target: Target, folder: Path
) -> tuple[Proof, TargetFigures | None]:
    """Compile a folder's sources for a target; return whether it took them, and the figures."""
    compiler = f"{target.prefix}gcc"
    flags = (*target.flags, "-ffreestanding")
    proof = _all_compile(compiler, folder, *flags)
    if proof.status != "passed":
        return proof, None
    source = folder / f"{model.ident}_link.c"
    built = folder / "target.o"
    run([compiler, *STRICT, *flags, "-Os", "-c", source, "-o", built])
    probe = folder / "probe.c"
    probe.write_text(
        f'#include "{model.ident}_link.h"\nchar probe[sizeof({model.ident}_receiver)] = {{1}};\n'
    )
    held = folder / "probe.o"
    run([compiler, *flags, "-std=c99", "-c", probe, "-o", held])
    code = _sizes(target, built)
    cycles = _cycles(model, target, folder)
    version = run([compiler, "--version"]).stdout.splitlines()[0]
    receiver_bytes = _sizes(target, held)[1]
    return proof, TargetFigures(target.name, version, sum(code[:2]), receiver_bytes, *cycles)


def _sizes(target: Target, built: Path) -> tuple[int, ...]:
    """Return the bytes of code, and of data, in an object file."""
    lines = run([f"{target.prefix}size", built]).stdout.splitlines()
    return tuple(int(one) for one in lines[1].split()[:3])


def _cycles(
    model: LinkModel, target: Target, folder: Path
) -> tuple[int | None, int | None, int | None]:
    """Return bounds for a symbol, a frame symbol by symbol, and a frame at once."""
    name = model.ident
    symbol, packed = f"{name}_receive_symbol", f"{name}_receive_packed"
    program = folder / "target.elf"
    flags = (*target.flags, "-ffreestanding", "-std=c99", "-Os", "-fno-inline")
    sections = ("-ffunction-sections", f"-Wl,--gc-sections,-e,{symbol},-u,{packed}")
    link = (*sections, "-nostdlib", "-nostartfiles")
    run([f"{target.prefix}gcc", *flags, folder / f"{name}_link.c", *link, "-lgcc", "-o", program])
    listing = Listing(run([f"{target.prefix}objdump", "-d", program]).stdout, target.machine)
    frame_symbols = model.layout.frame_symbols
    rounds = {
        **LIBRARY_ROUNDS,
        "check_of": -(-model.check.covered_bits // NIBBLE_BITS) if model.check else 0,
        "corrected": model.layout.frame_bits,
        "take_frame": frame_symbols,
        "is_displaced": frame_symbols,
        f"{name}_reset": len(COUNTERS),
    }
    try:
        whole = listing.most_cycles(symbol, CycleBounds(rounds))
        # The frame's end is judged once, however many symbols it has.
        without_end = CycleBounds(rounds, free=frozenset({"end_frame"}))
        end = listing.most_cycles("end_frame", CycleBounds(rounds))
        each = listing.most_cycles(symbol, without_end)
        at_once = listing.most_cycles("take_frame", CycleBounds(rounds)) + end
    except NoBoundError:
        return None, None, None
    return whole, min(frame_symbols * each + end, frame_symbols * whole), at_once
