"""Machine code of kernels, kept between processes.

What is kept is run, whatever the file says: a folder counts only if nobody but its user can have written
there, and a file only if it is whole. Numba's own cache looks only at the file of the cached function and
would run stale code after an edit in a callee; here the folder is named after a hash of every source that a
kernel can inline, and of the versions in use.
"""

import hashlib
import os
import stat
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np

import shaftloop_models

__all__ = ["KEPT", "KernelWarning", "compiling", "load", "machine_code", "store_folder"]

_ROOMS = ("kernels", "engine", "control", "bench")
KEPT = ("shaftloop_models.", *(f"shaftloop.{room}." for room in _ROOMS))
"""Modules whose sources decide the name of the folder: code of no others may go by that alone."""
_DIGEST = hashlib.sha256().digest_size
_OTHERS = stat.S_IWGRP | stat.S_IWOTH
_compiled: list[float] = []
"""Time of each compilation of this process. [s]"""
_COST = "every start compiles the kernels, which takes some 20 s"


class KernelWarning(UserWarning):
    """Kernels must be compiled that should have been there."""


@lru_cache(maxsize=1)
def store_folder() -> Path | None:
    """Return the folder of the kernels of these sources, nothing where no safe one can be had."""
    try:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
        folder = base.resolve() / "shaftloop" / _version()
        base.mkdir(mode=0o700, parents=True, exist_ok=True)
        for place in (folder.parent, folder):
            place.mkdir(mode=0o700, exist_ok=True)
        open_place = _open_to_others(folder)
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        _warn(f"no folder for kernels: {reason}; {_COST}; name another place by XDG_CACHE_HOME")
        return None
    if open_place is not None:
        _warn(
            f"{open_place}: others own this folder or may write to it, so no kernel is kept in {folder}; "
            f"{_COST}; take their right to write away, or name another place by XDG_CACHE_HOME"
        )
        return None
    return folder


def _version() -> str:
    """Return a hash of all that decides the code of a kernel but the processor, which each file states."""
    settings = sorted(item for item in os.environ.items() if item[0].startswith("NUMBA_"))
    digest = hashlib.sha256(f"{sys.version} {settings}".encode())
    for library in ("numba", "llvmlite"):  # whose import takes half a second
        place = Path(str(getattr(find_spec(library), "origin", "")))
        digest.update(place.with_name("_version.py").read_bytes())
    sim = Path(__file__).resolve().parents[1]
    models = Path(shaftloop_models.__file__).resolve().parent
    for root in (*(sim / room for room in _ROOMS), models):
        for source in sorted(root.rglob("*.py")):
            digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def _open_to_others(folder: Path) -> Path | None:
    """Return the first place on the way to a folder through which others can put files there."""
    if not hasattr(os, "geteuid"):
        return None
    user = os.geteuid()
    for place in (folder, *folder.parents):
        found = place.lstat()
        # In a folder like /tmp everybody may write, but nobody can rename what belongs to another.
        shared = place != folder and found.st_mode & stat.S_ISVTX
        if found.st_uid not in ({user} if place == folder else {user, 0}):
            return place
        if found.st_mode & _OTHERS and not shared:
            return place
    return None


def machine_code(
    function: Callable[..., Any], form: str, make: Callable[[], tuple[str, bytes]]
) -> tuple[str, bytes]:
    """Return the name and the machine code of a function: from disk, else made and kept.

    Parameters
    ----------
    function : callable
        Before compilation.
    form : str
        For which arguments.
    make : callable
        Compiles it.
    """
    path = _path(function, form)
    content = b""
    with suppress(OSError):
        content = path.read_bytes() if path is not None else b""
    name, _, code = content[_DIGEST:].partition(b"\n")
    if content and hashlib.sha256(content[_DIGEST:]).digest() == content[:_DIGEST]:
        return name.decode(), code
    if path is not None and path.exists():
        _warn("a kernel on disk is damaged, so it is compiled anew, which takes some seconds")
    elif path is not None and not _compiled:
        _warn("the kernels are compiled, once for this version: that takes some 20 s")
    begun = time.perf_counter()
    made = make()
    _compiled.append(time.perf_counter() - begun)
    if path is not None:
        _keep(path, made[0].encode() + b"\n" + made[1])
    return made


def _keep(path: Path, content: bytes) -> None:
    """Write a file; a full disk costs the next start some seconds."""
    with suppress(OSError), tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as file:
        try:
            file.write(hashlib.sha256(content).digest() + content)
            file.close()
            os.replace(file.name, path)
        except BaseException:
            os.unlink(file.name)
            raise


def _path(function: Callable[..., Any], form: str) -> Path | None:
    """Return where the code of a function for this processor is kept, if there is a folder."""
    from llvmlite import binding

    folder, enclosed = store_folder(), _enclosed(function)
    if folder is None or enclosed is None:
        return None
    source = Path(function.__code__.co_filename)
    key = f"{form} {binding.get_process_triple()} {binding.get_host_cpu_name()} {_features()}".encode()
    key += (source.read_bytes() if source.is_file() else b"") + enclosed
    return folder / f"{source.stem}.{function.__name__}-{hashlib.sha256(key).hexdigest()[:16]}.kernel"


def _enclosed(function: Callable[..., Any]) -> bytes | None:
    """Return what tells a function from others of its source: its line, and the values that it closes over.

    They become constants of its code. Nothing where they are more than numbers, arrays and functions.
    """
    words = [str(function.__code__.co_firstlineno).encode()]
    for cell in function.__closure__ or ():
        inner = cell.cell_contents
        value = np.asarray(inner)
        if isinstance(inner, FunctionType) and (enclosed := _enclosed(inner)) is not None:
            words += [f"{inner.__module__}.{inner.__qualname__}".encode(), enclosed]
        elif value.dtype.kind in "bif":
            words += [f"{type(inner)} {value.dtype} {value.shape}".encode(), value.tobytes()]
        else:
            return None
    return b" ".join(words)


def _features() -> str:
    """Return what the processor can do."""
    from llvmlite import binding

    with suppress(RuntimeError):
        return str(binding.get_host_cpu_features().flatten())
    return ""


def load(name: str, code: bytes) -> tuple[int, Any]:
    """Return the address of a function in machine code, and what must live as long as it is in use."""
    from llvmlite import binding

    binding.initialize_native_target()
    binding.initialize_native_asmprinter()
    machine = binding.Target.from_default_triple().create_target_machine(jit=True)
    engine = binding.create_mcjit_compiler(binding.parse_assembly(""), machine)
    engine.add_object_file(binding.ObjectFileRef.from_data(code))
    engine.finalize_object()
    return engine.get_function_address(name), engine


def compiling() -> float:
    """Return the time that this process has spent on compiling kernels that were not on disk [s]."""
    return sum(_compiled)


def _warn(message: str) -> None:
    warnings.warn(message, KernelWarning, stacklevel=1)
