"""Compilation of kernels, with a cache on disk that notices every edit.

Numba's own cache looks only at the file of the cached function and would run stale code after an edit
in a callee. The cache folder is therefore named after a hash of every source that a kernel can
inline, the numba version and the processor.
"""

import hashlib
import os
import tempfile
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

import shaftloop_models

__all__ = ["helper", "kernel", "routine"]

F = TypeVar("F", bound=Callable[..., Any])


def helper(function: F) -> F:
    """Compile a function that kernels inline."""
    return cast(F, numba.njit(forceinline=True, error_model="numpy", _nrt=False)(function))


def routine(function: F) -> F:
    """Compile a function that kernels call without inlining it."""
    return cast(F, numba.njit(error_model="numpy", _nrt=False)(function))


def kernel(function: F) -> F:
    """Compile a kernel that Python calls; machine code is kept between processes."""
    if numba.config.DISABLE_JIT:
        return function
    previous = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(_folder())
    try:
        compiled = numba.njit(cache=True, error_model="numpy", nogil=True, _nrt=False)(function)
    finally:
        numba.config.CACHE_DIR = previous
    return cast(F, compiled)


@lru_cache(maxsize=1)
def _folder() -> Path:
    digest = hashlib.sha256(f"{numba.__version__} {numba.config.CPU_NAME or ''}".encode())
    here = Path(__file__).resolve().parent
    for root in (here, here.parent / "control", Path(shaftloop_models.__file__).resolve().parent):
        for source in sorted(root.glob("*.py")):
            digest.update(source.read_bytes())
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    folder = base / "shaftloop" / digest.hexdigest()[:16]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        folder = Path(tempfile.gettempdir()) / f"shaftloop-{digest.hexdigest()[:16]}"
    return folder
