"""Decorator of the scalar equations that run inside compiled kernels."""

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar, cast

import numba

__all__ = ["equation"]

_P = ParamSpec("_P")
_R = TypeVar("_R")
_OPTIONS: dict[str, Any] = {"forceinline": True, "error_model": "numpy", "_nrt": False}


def equation(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Compile a function of scalars so that kernels inline it.

    The function stays callable from Python. No ``fastmath``: results must not depend on the
    optimiser. Scalars need no reference counting, which would cost time.
    """
    return cast(Callable[_P, _R], numba.njit(**_OPTIONS)(function))
