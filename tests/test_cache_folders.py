from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from busplay.cache_folders import (
    can_be_written,
    find_numba_a_folder,
    named_folder,
    user_folder,
)

PROJECT = Path(__file__).parents[1]


@pytest.fixture(autouse=True)
def plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("BUSPLAY_CACHE_DIR", "NUMBA_CACHE_DIR", "XDG_CACHE_HOME"):
        # Set first, so that it is put back even if the test sets it.
        monkeypatch.setenv(name, "")
        monkeypatch.delenv(name)
    monkeypatch.setattr(sys, "platform", "linux")


@pytest.fixture
def nowhere(tmp_path: Path) -> Path:
    """A folder that nobody can make, not even root: a file stands in its way."""
    (tmp_path / "file").write_bytes(b"")
    return tmp_path / "file" / "below"


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


def test_user_without_a_home_has_no_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_home() -> Path:
        raise RuntimeError("no home")

    monkeypatch.setattr(Path, "home", no_home)
    assert user_folder("busplay") is None


def test_folder_can_be_written_if_it_or_what_is_above_it_can(tmp_path: Path, nowhere: Path) -> None:
    assert can_be_written(tmp_path)
    assert can_be_written(tmp_path / "new" / "newer")
    assert not can_be_written(nowhere)
    assert not can_be_written(nowhere.parent)
    assert not can_be_written(None)


def test_named_folder_is_the_users_word(monkeypatch: pytest.MonkeyPatch) -> None:
    assert named_folder() is None
    monkeypatch.setenv("BUSPLAY_CACHE_DIR", "/kept/here")
    assert named_folder() == Path("/kept/here")


def test_numba_finds_its_own_folder_where_it_can(
    tmp_path: Path, nowhere: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    find_numba_a_folder(tmp_path)
    assert "NUMBA_CACHE_DIR" not in os.environ
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    find_numba_a_folder(nowhere)
    assert "NUMBA_CACHE_DIR" not in os.environ


def test_numba_is_told_of_the_named_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "numba", None)
    monkeypatch.setenv("BUSPLAY_CACHE_DIR", str(tmp_path))
    find_numba_a_folder(tmp_path)
    assert os.environ["NUMBA_CACHE_DIR"] == str(tmp_path / "numba")


def test_users_own_word_to_numba_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BUSPLAY_CACHE_DIR", str(tmp_path))
    monkeypatch.setenv("NUMBA_CACHE_DIR", "/mine")
    find_numba_a_folder(tmp_path)
    assert os.environ["NUMBA_CACHE_DIR"] == "/mine"


def test_numba_that_is_loaded_already_is_told_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import numba

    monkeypatch.setattr(numba.config, "CACHE_DIR", "")
    monkeypatch.setenv("BUSPLAY_CACHE_DIR", str(tmp_path))
    find_numba_a_folder(tmp_path)
    assert str(tmp_path / "numba") == numba.config.CACHE_DIR


def test_kernels_work_and_leave_nothing_where_nothing_can_be_kept(
    tmp_path: Path, nowhere: Path
) -> None:
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    code = (
        "import numpy as np, busplay\n"
        "encoder = busplay.Encoder(busplay.load_board('dunlin'))\n"
        "columns = zip((9, 0x4000, 7), (np.uint64, np.uint16, np.uint8))\n"
        "stores = busplay.StoreBatch(*(np.array([one], kind) for one, kind in columns))\n"
        "print(len(encoder.feed(stores, stop_cycle=10)))\n"
    )
    environment = os.environ | {
        "BUSPLAY_CACHE_DIR": str(nowhere),
        "TMPDIR": str(temporary),
        "PYTHONPATH": str(PROJECT),
    }
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "1"
    assert done.stderr == ""
    assert list(temporary.iterdir()) == []
