"""Machine code of kernels, kept between processes.

What is kept is unpickled, which runs whatever the file says: a folder counts only if nobody but its user can
have written there, and a file only if it is whole.
"""

import hashlib
import math
import os
import pickle
import stat
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

import llvmlite
import numba
from numba.core.caching import NullCache
from numba.core.compiler import CompileResult
from numba.core.serialize import dumps

import shaftloop_models

__all__ = ["KernelWarning", "Store", "compiling", "store_folder"]

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
    words = f"{numba.__version__} {llvmlite.__version__} {sys.version} {numba.config.CPU_NAME or ''}"
    digest = hashlib.sha256(words.encode())
    here = Path(__file__).resolve().parent
    for root in (here, here.parent / "control", Path(shaftloop_models.__file__).resolve().parent):
        for source in sorted(root.glob("*.py")):
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


class Store(NullCache):  # type: ignore[misc]
    """The compiled forms of one kernel.

    Parameters
    ----------
    function : callable
        Before compilation.
    folder : Path
        From `store_folder`.
    """

    def __init__(self, function: Callable[..., Any], folder: Path) -> None:
        source = Path(function.__code__.co_filename)
        self._source = source.read_bytes() if source.is_file() else b""
        self._stem = f"{source.stem}.{function.__name__}"
        self._folder = folder
        self._begun = math.nan

    @property
    def cache_path(self) -> str:
        """Return the folder."""
        return str(self._folder)

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the code for a signature, nothing where it must be compiled."""
        # Numba's own store reads all its registries first, which takes half of the time. Machine code needs
        # none of them, and a compilation reads them itself.
        path = self._path(sig, target_context.codegen())
        try:
            content = path.read_bytes()
        except FileNotFoundError:
            self._begin()
            return None
        except OSError:
            content = b""
        digest, code = content[:_DIGEST], content[_DIGEST:]
        if hashlib.sha256(code).digest() != digest:
            _warn("a kernel on disk is damaged, so it is compiled anew, which takes some seconds")
            self._begin()
            return None
        return CompileResult._rebuild(target_context, *pickle.loads(code))

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep the code for a signature; a full disk costs the next start some seconds."""
        _compiled.append(time.perf_counter() - self._begun)
        code = dumps(data._reduce())
        with suppress(OSError), tempfile.NamedTemporaryFile(dir=self._folder, delete=False) as file:
            try:
                file.write(hashlib.sha256(code).digest() + code)
                file.close()
                os.replace(file.name, self._path(sig, data.codegen))
            except BaseException:
                os.unlink(file.name)
                raise

    def _begin(self) -> None:
        if not _compiled:
            _warn("the kernels are compiled, once for this version: that takes some 20 s")
        self._begun = time.perf_counter()

    def _path(self, sig: Any, codegen: Any) -> Path:
        key = f"{sig} {codegen.magic_tuple()}".encode() + self._source
        return self._folder / f"{self._stem}-{hashlib.sha256(key).hexdigest()[:16]}.kernel"


def compiling() -> float:
    """Return the time that this process has spent on compiling kernels that were not on disk [s]."""
    return sum(_compiled)


def _warn(message: str) -> None:
    warnings.warn(message, KernelWarning, stacklevel=1)
