"""Logs in NPZ, Parquet and MDF files, read in blocks. Nothing in them is ever unpickled."""

import gc
import sys
import zipfile
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.errors import ScenarioError
from shaftloop.scenario.logs.form import LogForm
from shaftloop.scenario.logs.spelling import split_header

__all__ = ["MdfFile", "NpzFile", "ParquetFile"]

Array = NDArray[np.float64]

_MOST_UNITS = 10_000


class NpzFile:
    """The arrays of one dimension in an NPZ file.

    Parameters
    ----------
    path : Path
        File.
    form : LogForm
        Says nothing about such a file.
    label : str
        How messages call it.
    """

    texts: frozenset[str] = frozenset()

    def __init__(self, path: Path, form: LogForm, label: str) -> None:
        self._path, self._label = path, label
        self.columns: list[tuple[str, str | None]] = []
        self._members: list[str] = []
        units: dict[str, str] = {}
        try:
            with zipfile.ZipFile(path) as archive:
                for member in archive.namelist():
                    name = member.removesuffix(".npy")
                    with archive.open(member) as file:
                        shape, dtype = _head(file)
                        if name == "units" and dtype.kind == "U" and len(shape) == 2 and shape[1] == 2:
                            size = min(shape[0], _MOST_UNITS) * 2 * dtype.itemsize
                            pairs = np.frombuffer(file.read(size), dtype).reshape(-1, 2)
                            units = {str(key): str(unit) for key, unit in pairs}
                        elif dtype.kind in "fiu" and len(shape) == 1:
                            self.columns.append(split_header(name))
                            self._members.append(member)
        except (OSError, ValueError, zipfile.BadZipFile, EOFError) as error:
            raise ScenarioError([f"{label}: no NPZ file of plain arrays: {error}"]) from None
        self.columns = [(name, units.get(name, unit)) for name, unit in self.columns]

    def blocks(self, wanted: Sequence[int], rows: int) -> Iterator[Array]:
        """Yield the wanted columns, some rows at a time."""
        with zipfile.ZipFile(self._path) as archive:
            files = [archive.open(self._members[i]) for i in wanted]
            heads = [_head(file) for file in files]
            lengths = {shape[0] for shape, _ in heads}
            if len(lengths) > 1:
                raise ScenarioError(
                    [f"{self._label}: columns of {min(lengths)} and {max(lengths)} rows; leave some out"]
                )
            left = lengths.pop()
            while left > 0:
                count = min(rows, left)
                left -= count
                parts = [
                    np.frombuffer(file.read(count * dtype.itemsize), dtype).astype(float)
                    for file, (_, dtype) in zip(files, heads, strict=True)
                ]
                yield np.column_stack(parts)


def _head(file: Any) -> tuple[tuple[int, ...], np.dtype[Any]]:
    """Return shape and type of an array; those that hold objects are refused."""
    version = np.lib.format.read_magic(file)
    read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
    shape, _, dtype = read(file)
    if dtype.hasobject:
        raise ValueError("it holds Python objects, which are not read")
    return shape, dtype


class ParquetFile:
    """The columns of numbers in a Parquet file.

    Parameters
    ----------
    path : Path
        File.
    form : LogForm
        Says nothing about such a file.
    label : str
        How messages call it.
    """

    texts: frozenset[str] = frozenset()

    def __init__(self, path: Path, form: LogForm, label: str) -> None:
        _need("pyarrow", "Parquet", "parquet", label)
        import pyarrow
        import pyarrow.parquet

        self._label = label
        try:
            # Buffered ahead, all that is wanted of the file would be in memory at once.
            self._file: Any = pyarrow.parquet.ParquetFile(path, pre_buffer=False, buffer_size=1 << 20)
        except (OSError, pyarrow.ArrowException) as error:
            raise ScenarioError([f"{label}: no Parquet file: {str(error).splitlines()[0]}"]) from None
        types = pyarrow.types
        self._names = [
            entry.name
            for entry in self._file.schema_arrow
            if types.is_floating(entry.type) or types.is_integer(entry.type)
        ]
        self.columns = [split_header(name) for name in self._names]

    def blocks(self, wanted: Sequence[int], rows: int) -> Iterator[Array]:
        """Yield the wanted columns, some rows at a time."""
        names = [self._names[i] for i in wanted]
        for batch in self._file.iter_batches(
            batch_size=rows, columns=list(dict.fromkeys(names)), use_threads=False
        ):
            yield np.column_stack([batch.column(name).to_numpy(False).astype(float) for name in names])


class MdfFile:
    """The channels of one group of an MDF file, with the time of that group.

    Parameters
    ----------
    path : Path
        File.
    form : LogForm
        Names the group.
    label : str
        How messages call it.
    """

    texts: frozenset[str] = frozenset()

    def __init__(self, path: Path, form: LogForm, label: str) -> None:
        _need("asammdf", "MDF", "mdf", label)
        import asammdf

        try:
            self._mdf: Any = asammdf.MDF(path)
            groups = self._mdf.groups
        except Exception as error:  # noqa: BLE001  (a foreign reader: anything may come out of a broken file)
            _let_go(error)
            raise ScenarioError([f"{label}: no MDF file: {type(error).__name__}: {error}"]) from None
        if not groups:
            raise ScenarioError([f"{label}: no MDF file: it holds no group of channels"])
        if form.group >= len(groups):
            raise ScenarioError(
                [f"{label}: log.group = {form.group}: the file has the groups 0 to {len(groups) - 1}"]
            )
        self._group, self._time = form.group, form.time
        channels = groups[form.group].channels
        self._rows = int(groups[form.group].channel_group.cycles_nr)
        self._index = [i for i, channel in enumerate(channels) if channel.channel_type not in (2, 3)]
        self.columns: list[tuple[str, str | None]] = [(form.time, "s")]
        self.columns += [(channels[i].name, channels[i].unit or None) for i in self._index]

    def blocks(self, wanted: Sequence[int], rows: int) -> Iterator[Array]:
        """Yield the wanted columns, some rows at a time."""
        for first in range(0, self._rows, rows):
            part = {"record_offset": first, "record_count": min(rows, self._rows - first)}
            time = self._mdf.get_master(self._group, **part)
            columns = [time if i == 0 else self._samples(self._index[i - 1], part) for i in wanted]
            yield np.column_stack([np.asarray(values, dtype=float) for values in columns])

    def _samples(self, index: int, part: dict[str, int]) -> Array:
        signal = self._mdf.get(group=self._group, index=index, **part)
        values = np.array(signal.samples, dtype=float)
        if signal.invalidation_bits is not None:
            values[np.asarray(signal.invalidation_bits, dtype=bool)] = np.nan
        return values


def _let_go(error: Exception) -> None:
    """Free what a failed reader holds; it complains of its own end on the terminal."""
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        error.__traceback__ = error.__context__ = None
        gc.collect()
    finally:
        sys.unraisablehook = hook


def _need(package: str, what: str, extra: str, label: str) -> None:
    if find_spec(package) is None:
        raise ScenarioError(
            [
                f"{label}: {what} needs the package {package}, which is not installed; "
                f'install "shaftloop[{extra}]", or export the log as CSV'
            ]
        )
