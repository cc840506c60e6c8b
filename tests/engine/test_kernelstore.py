"""Kernels on disk: only from a folder that is the user's own, and only whole files."""

import os
import pickle
from collections.abc import Iterator
from pathlib import Path

import numba
import pytest

from shaftloop.engine import kernelstore
from shaftloop.engine.cache import kernel
from shaftloop.engine.kernelstore import KernelWarning, store_folder

pytestmark = pytest.mark.compiled


def double(x: float) -> float:
    return 2.0 * x


class Planted:
    """What another user would leave: reading it runs what it says."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.mkdir, (str(self.mark),)


@pytest.fixture(autouse=True)
def home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Path]:
    """Return a cache home of the test's own."""
    home = tmp_path / "home"
    monkeypatch.setenv("XDG_CACHE_HOME", str(home))
    store_folder.cache_clear()
    yield home
    store_folder.cache_clear()


def filled() -> Path:
    """Return the file of a kernel that has just been compiled."""
    assert kernel(double)(4.0) == 8.0
    folder = store_folder()
    assert folder is not None
    (file,) = folder.iterdir()
    return file


def hits() -> int:
    """Return how many forms of a kernel come from disk."""
    again = kernel(double)
    assert again(4.0) == 8.0
    return sum(again.stats.cache_hits.values())  # type: ignore[attr-defined]


def plant(file: Path, mark: Path) -> None:
    """Put a file there that is as whole as a kernel's own."""
    code = pickle.dumps(Planted(mark))
    file.write_bytes(kernelstore.hashlib.sha256(code).digest() + code)


def test_kernel_is_taken_from_disk_and_follows_versions(monkeypatch: pytest.MonkeyPatch, home: Path) -> None:
    file = filled()
    assert file.parent.parent == home / "shaftloop" and hits() == 1
    assert file.parent.stat().st_mode & 0o077 == 0
    monkeypatch.setattr(numba, "__version__", "0.0")
    store_folder.cache_clear()
    assert store_folder() != file.parent


def test_planted_file_would_run_from_a_folder_of_the_user(tmp_path: Path) -> None:
    """What the tests below plant does harm where it is read."""
    plant(filled(), tmp_path / "mark")
    with pytest.raises(TypeError):
        hits()
    assert (tmp_path / "mark").is_dir()


@pytest.mark.parametrize("level", [0, 1, 2])
@pytest.mark.parametrize("mode", [0o777, 0o770, 0o702])
def test_nothing_is_loaded_where_others_may_write(tmp_path: Path, level: int, mode: int) -> None:
    file = filled()
    plant(file, tmp_path / "mark")
    place = file.parents[level]
    place.chmod(mode)
    store_folder.cache_clear()
    with pytest.warns(KernelWarning, match="others own this folder or may write") as said:
        assert hits() == 0
    assert str(said[0].message).startswith(f"{place}: ")
    assert not (tmp_path / "mark").exists()


def test_nothing_is_loaded_from_a_folder_that_is_shared_like_tmp(tmp_path: Path) -> None:
    """Others cannot rename what lies there, but they can add to the folder itself."""
    file = filled()
    plant(file, tmp_path / "mark")
    file.parent.chmod(0o1777)
    store_folder.cache_clear()
    with pytest.warns(KernelWarning):
        assert hits() == 0
    assert not (tmp_path / "mark").exists()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root gives files away")
@pytest.mark.parametrize("level", [0, 1, 2])
def test_nothing_is_loaded_from_what_another_user_owns(tmp_path: Path, level: int) -> None:
    file = filled()
    plant(file, tmp_path / "mark")
    os.chown(file.parents[level], 12345, -1)
    store_folder.cache_clear()
    with pytest.warns(KernelWarning, match="others own this folder"):
        assert hits() == 0
    assert not (tmp_path / "mark").exists()


def test_folder_below_one_that_is_shared_like_tmp_is_used(home: Path) -> None:
    home.mkdir(mode=0o700)
    home.chmod(0o1777)
    filled()
    assert hits() == 1


def test_without_a_folder_kernels_are_compiled_and_not_kept(
    monkeypatch: pytest.MonkeyPatch, home: Path, tmp_path: Path
) -> None:
    """Nothing in the shared temporary folder takes its place."""
    home.write_text("", encoding="utf-8")
    shared = tmp_path / "shared"
    shared.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(shared))
    with pytest.warns(KernelWarning, match=r"no folder for kernels: .*name another place by XDG_CACHE_HOME"):
        assert hits() == 0
    assert not list(shared.iterdir())


@pytest.mark.parametrize("kept", [0, 7, 32, 1000, -1])
def test_cut_kernel_is_compiled_anew(kept: int) -> None:
    file = filled()
    whole = file.read_bytes()
    file.write_bytes(whole[:kept])
    with pytest.warns(KernelWarning, match="damaged, so it is compiled anew"):
        assert hits() == 0
    assert hits() == 1


@pytest.mark.parametrize("place", [0, 40, -100])
def test_changed_kernel_is_compiled_anew(place: int) -> None:
    file = filled()
    content = bytearray(file.read_bytes())
    content[place] ^= 1
    file.write_bytes(content)
    with pytest.warns(KernelWarning, match="damaged"):
        assert hits() == 0
    assert hits() == 1


def test_kernel_that_cannot_be_kept_runs_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    assert hits() == 0
    folder = store_folder()
    assert folder is not None and not list(folder.iterdir())
