"""Decorator of the scalar equations that run inside compiled kernels."""

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

__all__ = ["INLINED", "equation"]

_P = ParamSpec("_P")
_R = TypeVar("_R")

INLINED: dict[Callable[..., Any], bool] = {}
"""What kernels may call, and whether it is inlined there; whoever compiles a kernel compiles it."""


def equation(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """Let kernels inline a function of scalars; it stays the Python function that it is."""
    INLINED[function] = True
    return function
