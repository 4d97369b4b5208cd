"""Where machine code is cached, and which files there are used."""

from __future__ import annotations

import errno
import os
import stat
import sys
from pathlib import Path

import pytest

from busplay.jit import code_cache
from busplay.jit.code_cache import CodeCache, named_folder, user_folder

CODE = bytes(range(256)) * 16


@pytest.fixture
def plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("BUSPLAY_CACHE_DIR", "XDG_CACHE_HOME"):
        # Set first, so that it is restored even if the test sets it.
        monkeypatch.setenv(name, "")
        monkeypatch.delenv(name)
    monkeypatch.setattr(sys, "platform", "linux")


@pytest.fixture
def cache(tmp_path: Path) -> CodeCache:
    return CodeCache([tmp_path / "code"])


@pytest.fixture
def kept(cache: CodeCache) -> Path:
    path = cache.keep("some", CODE)
    assert path is not None
    return path


@pytest.fixture
def nowhere(tmp_path: Path) -> Path:
    """A folder that even root cannot make: its parent is a file."""
    (tmp_path / "file").write_bytes(b"")
    return tmp_path / "file" / "below"


# Folders.


@pytest.mark.usefixtures("plain_environment")
def test_users_folder_is_where_the_system_has_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    assert user_folder("busplay") == tmp_path / ".cache" / "busplay"
    monkeypatch.setenv("XDG_CACHE_HOME", "/elsewhere")
    assert user_folder("busplay") == Path("/elsewhere/busplay")
    monkeypatch.setattr(sys, "platform", "darwin")
    assert user_folder("busplay") == tmp_path / "Library" / "Caches" / "busplay"
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))
    assert user_folder("busplay") == tmp_path / "busplay"
    monkeypatch.delenv("LOCALAPPDATA")
    assert user_folder("busplay") is None


@pytest.mark.usefixtures("plain_environment")
def test_user_without_a_home_has_no_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_home() -> Path:
        raise RuntimeError("no home")

    monkeypatch.setattr(Path, "home", no_home)
    assert user_folder("busplay") is None


@pytest.mark.usefixtures("plain_environment")
def test_usual_folder_is_the_users_and_else_beside_the_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    beside = Path(code_cache.__file__).parents[1] / "__pycache__" / "code"
    assert CodeCache.usual().folders == (tmp_path / "busplay" / "code", beside)


@pytest.mark.usefixtures("plain_environment")
def test_named_folder_is_the_only_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert named_folder() is None
    monkeypatch.setenv("BUSPLAY_CACHE_DIR", str(tmp_path))
    assert CodeCache.usual().folders == (tmp_path / "code",)


def test_folder_that_cannot_be_written_is_skipped(nowhere: Path, tmp_path: Path) -> None:
    cache = CodeCache([nowhere, tmp_path / "second"])
    path = cache.keep("some", CODE)
    assert path is not None
    assert path.parent == tmp_path / "second"
    assert cache.find("some") == CODE


def test_without_any_folder_nothing_is_kept(nowhere: Path) -> None:
    assert CodeCache([nowhere]).keep("some", CODE) is None
    assert CodeCache([nowhere]).find("some") is None


# Damage. (Cut and damaged files once ended the program with a stack trace.)


@pytest.mark.parametrize("size", [0, 1, 31, 32, 33, 1000, len(CODE) + 31])
def test_cut_file_is_ignored(cache: CodeCache, kept: Path, size: int) -> None:
    kept.write_bytes(kept.read_bytes()[:size])
    assert cache.find("some") is None
    assert cache.keep("some", CODE) == kept
    assert cache.find("some") == CODE


@pytest.mark.parametrize("size", [32, 1000, len(CODE) + 32])
def test_file_zeroed_from_some_byte_is_ignored(cache: CodeCache, kept: Path, size: int) -> None:
    whole = kept.read_bytes()
    kept.write_bytes(whole[: len(whole) - size] + bytes(size))
    assert cache.find("some") is None


def test_every_flipped_byte_is_detected(cache: CodeCache, kept: Path) -> None:
    whole = kept.read_bytes()
    for place in range(0, len(whole), 37):
        damaged = bytearray(whole)
        damaged[place] ^= 0x10
        kept.write_bytes(damaged)
        assert cache.find("some") is None, place
    kept.write_bytes(whole + b"\0")
    assert cache.find("some") is None
    kept.write_bytes(whole)
    assert cache.find("some") == CODE


def test_renamed_file_is_ignored(cache: CodeCache, kept: Path) -> None:
    kept.rename(kept.with_stem("other"))
    assert cache.find("other") is None


def test_path_that_is_not_a_file_is_ignored(cache: CodeCache, kept: Path) -> None:
    kept.unlink()
    os.mkfifo(kept)
    assert cache.find("some") is None
    kept.unlink()
    kept.mkdir()
    assert cache.find("some") is None
    assert cache.keep("some", CODE) is None


# Other users.


@pytest.mark.parametrize("mode", [0o620, 0o602, 0o666])
def test_file_that_others_can_write_is_not_loaded(cache: CodeCache, kept: Path, mode: int) -> None:
    kept.chmod(mode)
    assert cache.find("some") is None
    assert cache.keep("some", CODE) == kept
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert cache.find("some") == CODE


@pytest.mark.parametrize("mode", [0o720, 0o702, 0o777, 0o1777])
def test_nothing_is_loaded_from_or_kept_in_a_folder_that_others_can_write(
    cache: CodeCache, kept: Path, mode: int
) -> None:
    kept.parent.chmod(mode)
    assert cache.find("some") is None
    assert cache.keep("another", CODE) is None


def test_file_of_another_user_is_not_loaded(
    cache: CodeCache, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.fstat

    def as_theirs(descriptor: int) -> os.stat_result:
        found = list(real(descriptor))
        found[stat.ST_UID] = os.geteuid() + 1
        return os.stat_result(found)

    monkeypatch.setattr(code_cache.os, "fstat", as_theirs)
    assert kept.exists()
    assert cache.find("some") is None


def test_nothing_is_loaded_from_a_folder_of_another_user(
    cache: CodeCache, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert cache.find("some") == CODE
    monkeypatch.setattr(code_cache.os, "geteuid", lambda: kept.stat().st_uid + 1)
    # Root's files count for everybody.
    assert (cache.find("some") is None) == (kept.stat().st_uid != 0)


# Writing.


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO])
def test_full_disk_keeps_nothing_and_leaves_nothing(
    cache: CodeCache, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    class Full:
        def __init__(self, descriptor: int, mode: str) -> None:
            self._descriptor = descriptor

        def __enter__(self) -> Full:
            return self

        def __exit__(self, *error: object) -> None:
            os.close(self._descriptor)

        def write(self, contents: bytes) -> int:
            os.write(self._descriptor, contents[:100])
            raise OSError(number, "no")

    monkeypatch.setattr(code_cache.os, "fdopen", Full)
    assert cache.keep("some", CODE) is None
    assert list((tmp_path / "code").iterdir()) == []


def test_file_that_cannot_take_its_place_is_not_left(
    cache: CodeCache, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(self: Path, target: Path) -> Path:
        raise OSError("no")

    monkeypatch.setattr(Path, "replace", refuse)
    assert cache.keep("some", CODE) is None
    assert list((tmp_path / "code").iterdir()) == []


# Unused code.

DAY_S = 24 * 60 * 60


def age(path: Path, *, days: int) -> Path:
    changed = path.stat().st_mtime - days * DAY_S
    os.utime(path, (changed, changed))
    return path


def test_code_unused_for_long_is_removed_when_other_code_is_written(
    cache: CodeCache, kept: Path
) -> None:
    # Nothing was ever removed, so each version left some megabytes behind.
    half = kept.with_name("half.new")
    half.write_bytes(b"")
    age(half, days=61)
    foreign = kept.with_name("notes.txt")
    foreign.write_bytes(b"")
    age(foreign, days=61)
    age(kept, days=59)
    cache.keep("other", CODE)
    assert (kept.exists(), half.exists(), foreign.exists()) == (True, False, True)
    age(kept, days=3)
    other = cache.keep("other", CODE)
    assert (kept.exists(), other is not None and other.exists()) == (False, True)


def test_used_code_stays(cache: CodeCache, kept: Path) -> None:
    age(kept, days=61)
    assert cache.find("some") == CODE
    cache.keep("other", CODE)
    assert cache.find("some") == CODE
