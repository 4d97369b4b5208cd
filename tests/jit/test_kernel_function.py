"""Kernels: arguments, results, and the cache of their code."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from busplay.jit import KernelError, kernel
from busplay.jit.bits import count_ones, trailing_zeros

PROJECT = Path(__file__).parents[2]
TABLE = np.array([3, 5, 7], np.uint64)
FACTOR = 10


class Inner(NamedTuple):
    scale: int
    column: NDArray[np.uint8]


class Parameters(NamedTuple):
    inner: Inner
    offset: np.uint64
    is_on: bool


@kernel
def weighted(words: NDArray[np.uint64], out: NDArray[np.uint64]) -> None:
    for i in range(len(words)):
        out[i] = words[i] * TABLE[i % 3] + np.uint64(FACTOR)


@kernel
def total(table: NDArray[Any]) -> int:
    found = 0
    for row in range(table.shape[0]):
        for column in range(table.shape[1]):
            found += (row + 1) * (column + 7) * int(table[row, column])
    return found


@kernel
def echo(a: Any, b: Any = 5, c: Any = 2.5) -> Any:
    return a, b, c


@kernel
def same(a: Any) -> Any:
    return a


@kernel
def from_tuple(parameters: Parameters) -> int:
    found = 0
    if parameters.is_on:
        for i in range(len(parameters.inner.column)):
            found += parameters.inner.scale * int(parameters.inner.column[i])
    return found + int(parameters.offset)


@kernel
def fill_records(records: NDArray[Any]) -> None:
    for i in range(len(records)):
        records[i].first = i
        records[i]["second"] = -i


@kernel
def stop_at(number: int) -> int:
    if number == 3:
        raise ValueError("three")
    return number


@kernel
def allocate(count: int) -> int:
    return len(np.zeros(count, np.uint8))


@kernel
def forget(count: int) -> Any:
    return [count]


def test_kernel_calls_numba_for_arrays_and_constants() -> None:
    out = np.zeros(4, np.uint64)
    weighted(np.array([1, 2, 3, 4], np.uint64), out)
    assert out.tolist() == [13, 20, 31, 22]


@pytest.mark.parametrize(
    "table",
    [
        np.arange(12).reshape(3, 4),
        np.arange(12).reshape(4, 3).T,
        np.arange(48).reshape(6, 8)[::-2, 1::2],
        np.zeros((0, 5), np.int64),
        np.arange(6, dtype=np.uint8).reshape(2, 3),
        np.frombuffer(bytes(range(10)), np.uint8)[1:9].view(np.uint32).reshape(1, 2),
    ],
)
def test_arrays_of_every_order_are_taken(table: NDArray[Any]) -> None:
    assert total(table) == total.__wrapped__(table)


def test_read_only_array_is_taken_and_cannot_be_written() -> None:
    words = np.arange(4, dtype=np.uint64)
    words.flags.writeable = False
    out = np.zeros(4, np.uint64)
    weighted(words, out)
    assert out.tolist() == [10, 15, 24, 19]
    with pytest.raises(TypeError, match="kernel weighted"):
        weighted(out, words)


def test_subclass_of_array_is_taken(tmp_path: Path) -> None:
    mapped = np.memmap(tmp_path / "table", np.int64, "w+", shape=(2, 2))
    mapped[:] = [[1, 2], [3, 4]]
    assert total(mapped) == total(np.array([[1, 2], [3, 4]]))


NUMBERS = [
    5,
    -(1 << 63),
    (1 << 63) - 1,
    (1 << 64) - 1,
    True,
    2.25,
    np.uint8(200),
    np.int8(-3),
    np.int32(-5),
    np.uint64((1 << 64) - 1),
    np.float32(0.5),
    np.bool_(False),
]


@pytest.mark.parametrize("number", NUMBERS, ids=lambda number: f"{type(number).__name__} {number}")
def test_number_comes_back_as_a_plain_one(number: Any) -> None:
    found = same(number)
    assert found == number
    assert type(found) in (int, bool, float)


def test_number_that_fits_no_slot_is_refused() -> None:
    for number in (1 << 64, -(1 << 63) - 1):
        with pytest.raises((OverflowError, struct.error)):
            same(number)


def test_arguments_may_be_named_or_left_out() -> None:
    assert echo(1) == (1, 5, 2.5)
    assert echo(1, c=7) == (1, 5, 7)
    assert echo(b=3, a=2) == (2, 3, 2.5)
    with pytest.raises(TypeError, match="echo takes a, b, c; found 4 in order and none by name"):
        echo(1, 2, 3, 4)
    with pytest.raises(TypeError, match="found 0 in order and d by name"):
        echo(d=1)


def test_named_tuples_in_named_tuples_are_taken() -> None:
    inner = Inner(3, np.array([1, 2, 3], np.uint8))
    assert from_tuple(Parameters(inner, np.uint64(4), True)) == 22
    assert from_tuple(Parameters(inner, np.uint64(4), False)) == 4
    assert same((1, 2.5)) == (1, 2.5)


def test_records_are_taken() -> None:
    records = np.zeros(3, [("first", np.uint16), ("second", np.int64)])
    fill_records(records)
    assert records.tolist() == [(0, 0), (1, -1), (2, -2)]


@pytest.mark.parametrize("wrong", ["text", None, [1], {}, object])
def test_other_arguments_are_refused(wrong: object) -> None:
    with pytest.raises(TypeError, match="a kernel takes arrays, numbers and tuples"):
        same(wrong)


def test_kernel_that_allocates_is_refused() -> None:
    with pytest.raises(TypeError, match="kernel allocate"):
        allocate(3)
    with pytest.raises(TypeError, match="kernel forget"):
        forget(3)


def test_exception_inside_is_an_error_outside() -> None:
    assert stop_at(2) == 2
    with pytest.raises(KernelError, match="stop_at was stopped by an exception"):
        stop_at(3)


def test_kernel_runs_without_the_interpreters_lock() -> None:
    """Two threads at once, each with its own arguments and results."""
    found: list[bool] = []

    def run(first: int) -> None:
        found.append(all(same((first, k)) == (first, k) for k in range(500)))

    threads = [threading.Thread(target=run, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == [True] * 4


@given(st.integers(0, (1 << 64) - 1))
def test_bits_are_counted(word: int) -> None:
    assert count_ones(np.uint64(word)) == word.bit_count()
    lowest = (word & -word).bit_length() - 1 if word else 64
    assert trailing_zeros(np.uint64(word)) == lowest


# The cache. Each start is a process of its own, in a folder with two modules.

HELPER = """
from busplay.jit import kernel
FACTOR = 3

@kernel
def scaled(number):
    return number * FACTOR
"""
PROGRAM = """
import sys
from helper import scaled
from busplay.jit import kernel, on_compiling

@kernel
def run(number):
    return scaled(number) + 1

on_compiling(lambda: print("compiling"))
print(run(14), "numba" in sys.modules)
"""


def start(folder: Path, **environment: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, folder / "program.py"],
        env=os.environ
        | {"PYTHONPATH": str(PROJECT), "BUSPLAY_CACHE_DIR": str(folder / "cache")}
        | environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    return done.stdout.splitlines()


@pytest.fixture(scope="module")
def compiled_program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("program")
    (folder / "helper.py").write_text(HELPER)
    (folder / "program.py").write_text(PROGRAM)
    assert start(folder) == ["compiling", "43 True"]
    return folder


@pytest.fixture
def program(compiled_program: Path, tmp_path: Path) -> Path:
    """A program with a helper, whose code is cached."""
    return Path(shutil.copytree(compiled_program, tmp_path / "copy"))


def test_second_start_compiles_nothing_and_does_not_load_numba(program: Path) -> None:
    assert start(program) == ["43 False"]


@pytest.mark.parametrize(
    "change",
    [
        ("FACTOR = 3", "FACTOR = 4"),
        pytest.param(("number * F", "2 + number * F"), marks=pytest.mark.thorough),
    ],
)
def test_changed_helper_in_another_module_never_uses_old_code(
    program: Path, change: tuple[str, str]
) -> None:
    """Numba's own cache, which checks one file only, returned the old code here."""
    (program / "helper.py").write_text(HELPER.replace(*change))
    (found,) = start(program)[1:]
    assert found != "43 True"
    assert start(program) == [found.replace("True", "False")]


def test_comment_in_a_helper_needs_no_compiling(program: Path) -> None:
    (program / "helper.py").write_text("# On top.\n" + HELPER)
    assert start(program) == ["43 False"]


def kept_file(program: Path) -> Path:
    (file,) = (program / "cache" / "code").iterdir()
    return file


@pytest.mark.thorough
@pytest.mark.parametrize("damage", ["cut", "zeroed", "flipped", "empty", "unreadable"])
def test_damaged_code_is_compiled_anew(program: Path, damage: str) -> None:
    file = kept_file(program)
    whole = file.read_bytes()
    if damage == "unreadable":
        file.unlink()
        file.mkdir()
    else:
        file.write_bytes(
            {
                "cut": whole[: len(whole) // 2],
                "zeroed": whole[:64] + bytes(len(whole) - 64),
                "flipped": whole[:200] + bytes([whole[200] ^ 1]) + whole[201:],
                "empty": b"",
            }[damage]
        )
    assert start(program) == ["compiling", "43 True"]
    if damage != "unreadable":
        assert file.read_bytes() == whole
        assert start(program) == ["43 False"]


def test_where_nothing_can_be_kept_it_is_compiled_every_time(program: Path) -> None:
    (program / "file").write_bytes(b"")
    for _ in range(2):
        found = start(program, BUSPLAY_CACHE_DIR=str(program / "file" / "below"))
        assert found == ["compiling", "43 True"]


COMMANDS = [
    "demo fill --headless --cycles 100000",
    pytest.param("replay traces/fill.trace --headless", marks=pytest.mark.thorough),
    pytest.param("info traces/fill.trace", marks=pytest.mark.thorough),
]


@pytest.mark.parametrize("command", COMMANDS)
def test_command_whose_kernels_are_kept_does_not_load_numba(command: str) -> None:
    code = (
        "import sys; from busplay.cli.main import group;"
        f"group.main({command.split()!r}, standalone_mode=False);"
        "print('numba' in sys.modules)"
    )
    said = [
        subprocess.run(
            [sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=True
        ).stdout.splitlines()[-1]
        for _ in range(2)
    ]
    assert said[1] == "False"
