"""Kernels: compiled once, kept on disk, loaded by later processes without the compiler.

The decorators only note what a function is. At its first call a kernel takes its machine code from the store
(`kernels.store`); only where there is none numba is imported and compiles (`kernels.compiler`).
"""

import ctypes
import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import update_wrapper
from struct import Struct, calcsize, pack_into
from threading import Lock
from typing import Annotated, Any, TypeVar, cast, get_args, get_origin
from weakref import ref

import numpy as np

from shaftloop.kernels.store import load, machine_code
from shaftloop_models.compiled import INLINED

__all__ = ["Array", "for_rows", "helper", "interpreted", "kernel", "routine"]

F = TypeVar("F", bound=Callable[..., Any])
_LOCK = Lock()
_Empty = ctypes.c_char * 0
_FORMATS = {int: "q", float: "d", bool: "q"}


@dataclass(frozen=True)
class Array:
    """Argument of a kernel that is an array, contiguous in memory."""

    dtype: np.dtype[Any]
    dimensions: int

    @property
    def format(self) -> str:
        """Return the format of its words: a pointer where it has one dimension, else all that numba takes."""
        return "q" if self.dimensions == 1 else "q" * (5 + 2 * self.dimensions)


class _Place:
    """Where a kernel takes an array; most calls bring the one of the call before."""

    def __init__(self, kind: Array) -> None:
        self._kind = kind
        self._last: tuple[Any, tuple[int, ...]] = (lambda: self, ())

    def words(self, array: Any) -> tuple[int, ...]:
        """Return the words that stand for an array."""
        last, words = self._last
        if last() is not array:
            words = self._words(array)
            self._last = ref(array), words
        return words

    def _words(self, array: Any) -> tuple[int, ...]:
        if array.dtype != self._kind.dtype or array.ndim != self._kind.dimensions:
            raise TypeError(f"an array of {array.dtype}, shape {array.shape}, in place of {self._kind}")
        address = _address(array)
        if array.ndim == 1:
            return (address,)
        return 0, 0, array.size, array.itemsize, address, *array.shape, *array.strides


def interpreted() -> bool:
    """Return whether compilation is switched off, as numba's own switch says."""
    return os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0")


def helper(function: F) -> F:
    """Let kernels inline a function."""
    INLINED[function] = True
    return function


def routine(function: F) -> F:
    """Let kernels call a function without inlining it."""
    INLINED[function] = False
    return function


def kernel(function: F) -> F:
    """Compile a kernel that Python calls; machine code is kept between processes."""
    return function if interpreted() else cast(F, _Kernel(function))


def for_rows(function: Callable[..., Any], place: int, args: tuple[Any, ...]) -> list[Any]:
    """Return what a kernel returns for every row of an array that stands in place of one argument.

    Parameters
    ----------
    function : callable
        A kernel that returns a tuple.
    place : int
        Which argument it is; the kernel takes an array of one dimension there.
    args : tuple
        All arguments; the array has two dimensions.
    """
    if isinstance(function, _Kernel):
        return function.for_rows(place, args)
    return [function(*args[:place], row, *args[place + 1 :]) for row in args[place]]


class _Kernel:
    """A function whose annotations say all about its arguments and result.

    It is called with one buffer: room for its results, then its arguments, in words of eight bytes.
    """

    def __init__(self, function: Callable[..., Any]) -> None:
        update_wrapper(self, function)
        self._function = function
        hints = dict(function.__annotations__)
        result = hints.pop("return")
        self._result = () if result is None else _kind(result)
        self._kinds = tuple(_kind(hint) for hint in hints.values())
        parts = self._result if isinstance(self._result, tuple) else (self._result,)
        self._results = Struct("".join("?" if part is bool else _FORMATS[part] for part in parts))
        self._skipped = f"{8 * max(1, len(parts))}x"
        self._given = Struct(f"{self._skipped}{_format(self._kinds)}")
        self._several = isinstance(self._result, tuple) and len(parts) > 0
        self._plan = _plan(self._kinds)
        self._entry: Any = None

    def __call__(self, *args: Any) -> Any:
        buffer = self._buffer(args)
        self._entry(_address(buffer))
        result = self._results.unpack_from(buffer)
        return result if self._several else result[0] if result else None

    def for_rows(self, place: int, args: tuple[Any, ...]) -> list[Any]:
        """Return the results for all rows: of the buffer, but the address of the row nothing changes."""
        rows = args[place]
        buffer = self._buffer((*args[:place], rows[0], *args[place + 1 :]))
        word = calcsize(f"{self._skipped}{_format(self._kinds[:place])}")
        entry, here, first, results = self._entry, _address(buffer), _address(rows), []
        for address in range(first, first + rows.nbytes, rows.strides[0]):
            pack_into("q", buffer, word, address)
            entry(here)
            results.append(self._results.unpack_from(buffer))
        return results

    def _buffer(self, args: tuple[Any, ...]) -> bytearray:
        if self._entry is None:
            self._prepare()
        words: list[Any] = []
        _add_words(self._plan, args, words)
        return bytearray(self._given.pack(*words))

    def _prepare(self) -> None:
        with _LOCK:
            if self._entry is None:
                code = machine_code(self._function, str((self._kinds, self._result)), self._compiled)
                address, self._engine = load(*code)
                self._entry = ctypes.CFUNCTYPE(None, ctypes.c_void_p)(address)

    def _compiled(self) -> tuple[str, bytes]:
        from shaftloop.kernels.compiler import compile_kernel

        return compile_kernel(self._function, self._kinds, self._result)


def _kind(hint: Any) -> Any:
    """Return what an annotation says: a type of scalars, an `Array`, or a tuple of these."""
    if hint in _FORMATS:
        return hint
    origin, parts = get_origin(hint), get_args(hint)
    if origin is tuple:
        return tuple(_kind(part) for part in parts)
    array, dimensions = parts if origin is Annotated else (hint, 1)
    return Array(np.dtype(get_args(get_args(array)[1])[0]), dimensions)


def _format(kinds: tuple[Any, ...]) -> str:
    return "".join(
        _format(kind)
        if isinstance(kind, tuple)
        else kind.format
        if isinstance(kind, Array)
        else _FORMATS[kind]
        for kind in kinds
    )


def _plan(kinds: tuple[Any, ...]) -> tuple[Any, ...]:
    """Return what to look at in arguments of these kinds: nothing in a scalar, a tuple, or a `_Place`."""
    return tuple(None if k in _FORMATS else _plan(k) if isinstance(k, tuple) else _Place(k) for k in kinds)


def _add_words(plan: tuple[Any, ...], values: tuple[Any, ...], words: list[Any]) -> None:
    for part, value in zip(plan, values, strict=True):
        if part is None:
            words.append(value)
        elif type(part) is tuple:
            _add_words(part, value, words)
        else:
            words += part.words(value)


def _address(memory: Any) -> int:
    """Return where a buffer is; one that is read-only or not contiguous is refused."""
    return ctypes.addressof(_Empty.from_buffer(memory))
