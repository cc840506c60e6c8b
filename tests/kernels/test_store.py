"""Kernels on disk: only from a folder that is the user's own, and only whole files."""

import hashlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from shaftloop.kernels import store
from shaftloop.kernels.arrays import Floats, Recording
from shaftloop.kernels.compiler import compile_kernel
from shaftloop.kernels.decorators import kernel
from shaftloop.kernels.store import KernelWarning, store_folder

pytestmark = pytest.mark.compiled


def double(x: float) -> float:
    return 2.0 * x


def triple(x: float) -> float:
    """Return what another user would have a kernel say."""
    return 3.0 * x


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
    """Return how many kernels come from disk."""
    before = len(store._compiled)
    assert kernel(double)(4.0) == 8.0
    return 1 - (len(store._compiled) - before)


def plant(file: Path) -> None:
    """Put a file there that is as whole as a kernel's own."""
    name, code = compile_kernel(triple, (float,), float)
    content = name.encode() + b"\n" + code
    file.write_bytes(hashlib.sha256(content).digest() + content)


def test_kernel_is_taken_from_disk_and_follows_versions(monkeypatch: pytest.MonkeyPatch, home: Path) -> None:
    file = filled()
    assert file.parent.parent == home / "shaftloop" and hits() == 1
    assert file.parent.stat().st_mode & 0o077 == 0
    library = home / "library"
    library.mkdir()
    (library / "_version.py").write_text("another", encoding="utf-8")
    monkeypatch.setattr(store, "find_spec", lambda name: SimpleNamespace(origin=library / "__init__.py"))
    store_folder.cache_clear()
    assert store_folder() != file.parent


def test_planted_file_would_run_from_a_folder_of_the_user() -> None:
    """What the tests below plant does harm where it is loaded."""
    plant(filled())
    assert kernel(double)(4.0) == 12.0


@pytest.mark.parametrize("level", [0, 1, 2])
@pytest.mark.parametrize("mode", [0o777, 0o770, 0o702])
def test_nothing_is_loaded_where_others_may_write(level: int, mode: int) -> None:
    file = filled()
    plant(file)
    place = file.parents[level]
    place.chmod(mode)
    store_folder.cache_clear()
    with pytest.warns(KernelWarning, match="others own this folder or may write") as said:
        assert hits() == 0
    assert str(said[0].message).startswith(f"{place}: ")


def test_nothing_is_loaded_from_a_folder_that_is_shared_like_tmp() -> None:
    """Others cannot rename what lies there, but they can add to the folder itself."""
    file = filled()
    plant(file)
    file.parent.chmod(0o1777)
    store_folder.cache_clear()
    with pytest.warns(KernelWarning):
        assert hits() == 0


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root gives files away")
@pytest.mark.parametrize("level", [0, 1, 2])
def test_nothing_is_loaded_from_what_another_user_owns(level: int) -> None:
    file = filled()
    plant(file)
    os.chown(file.parents[level], 12345, -1)
    store_folder.cache_clear()
    with pytest.warns(KernelWarning, match="others own this folder"):
        assert hits() == 0


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


def test_functions_of_one_name_and_source_keep_their_own_code() -> None:
    """What a function closes over is part of its code."""

    def line(slope: float, table: Floats) -> Any:
        def at(x: float) -> float:
            return float(slope * x + table[0])

        return kernel(at)

    def at(x: float) -> float:
        return -x

    one, two = np.ones(1), np.full(1, 2.0)
    for _ in range(2):
        assert [line(1.0, one)(3.0), line(2.0, one)(3.0), line(1.0, two)(3.0)] == [4.0, 7.0, 5.0]
        assert kernel(at)(3.0) == -3.0
    folder = store_folder()
    assert folder is not None and len(list(folder.iterdir())) == 4


def test_code_that_a_later_process_could_not_run_is_refused() -> None:
    """It would end without a message."""

    def power(x: float) -> float:
        return float(((x + 1.0j) ** x).real)

    with pytest.raises(TypeError, match=r"needs numba_cpow: write it so"):
        kernel(power)(2.0)
    large = np.ones(200_000)

    def first(i: int) -> float:
        return float(large[i])

    with pytest.raises(TypeError, match=r"needs numba\.dynamic"):
        kernel(first)(0)
    folder = store_folder()
    assert folder is not None and not list(folder.iterdir())


def test_an_equation_from_outside_may_make_arrays_in_every_process(tmp_path: Path) -> None:
    script = tmp_path / "outside.py"
    script.write_text(
        """
import ctypes
import numpy as np
from shaftloop.kernels.own import ROOM, address_of

def summed(x, p, y):
    some = np.zeros(int(p[0]))
    some[:] = x[0]
    y[0] = np.sort(np.concatenate((some, x[:2]))).sum()

call = ctypes.CFUNCTYPE(ctypes.c_int32, *[ctypes.c_void_p] * 5)(address_of(summed))
x, p, y = (np.full(ROOM, value) for value in (3.0, 5.0, 0.0))
unused = np.zeros(2)
status = [call(*(a.ctypes.data for a in (unused[:1], unused[1:], x, p, y))) for _ in range(100)]
print(any(status), y[0])
""",
        encoding="utf-8",
    )
    for _ in range(2):
        said = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False)
        assert said.stdout == "False 21.0\n", said.stderr


def test_arguments_and_results_of_every_kind_arrive() -> None:
    def told(
        pair: tuple[int, tuple[bool, float]], flat: Floats, solid: Recording
    ) -> tuple[int, bool, float, int]:
        flat[1] = solid[1, 0, 2]
        return pair[0], not pair[1][0], pair[1][1] * flat[0], solid.shape[2]

    said = kernel(told)
    for shape in ((2, 1, 3), (2, 2, 4)):
        flat, solid = np.array([2.0, 0.0]), np.arange(float(np.prod(shape))).reshape(shape)
        assert said((-3, (True, 0.5)), flat, solid) == (-3, False, 1.0, shape[2])
        assert flat[1] == solid[1, 0, 2] == shape[1] * shape[2] + 2


def test_an_array_that_would_be_misread_is_refused() -> None:
    def first(values: Floats) -> float:
        return float(values[0])

    said = kernel(first)
    assert said(np.ones(4)) == 1.0
    with pytest.raises(TypeError, match="an array of int64"):
        said(np.ones(4, dtype=np.int64))  # type: ignore[arg-type]
    with pytest.raises(TypeError, match=r"shape \(2, 2\)"):
        said(np.ones((2, 2)))
    with pytest.raises(TypeError, match="contiguous"):
        said(np.ones(4)[::2])
