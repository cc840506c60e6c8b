"""Compilation of kernels, with a cache on disk that notices every edit.

Numba's own cache looks only at the file of the cached function and would run stale code after an edit
in a callee. The cache folder is therefore named after a hash of every source that a kernel can
inline, and of the versions in use (`engine.kernelstore`).
"""

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

from shaftloop.engine.kernelstore import Store, store_folder

__all__ = ["called", "helper", "kernel", "routine"]

F = TypeVar("F", bound=Callable[..., Any])


def helper(function: F) -> F:
    """Compile a function that kernels inline."""
    return cast(F, numba.njit(forceinline=True, error_model="numpy", _nrt=False)(function))


def routine(function: F) -> F:
    """Compile a function that kernels call without inlining it."""
    # Said aloud: what is left open a function takes over from its caller, and helpers call routines.
    return cast(F, numba.njit(forceinline=False, error_model="numpy", _nrt=False)(function))


def kernel(function: F) -> F:
    """Compile a kernel that Python calls; machine code is kept between processes."""
    if numba.config.DISABLE_JIT:
        return function
    compiled = numba.njit(error_model="numpy", nogil=True, _nrt=False)(function)
    folder = store_folder()
    if folder is not None:
        # Numba's own store looks at neither owner nor mode, nor whether a file is whole.
        compiled._cache = Store(function, folder)
    return cast(F, compiled)


def called(equation: F) -> F:
    """Return a compiled equation for callers in Python: its machine code is kept like that of a kernel."""
    return kernel(getattr(equation, "py_func", equation))
