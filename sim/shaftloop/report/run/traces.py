"""The recorded channels as a file: npz, CSV or Parquet.

- ``.npz``: one array per channel, ``time``, and ``units`` with rows (name, unit);
  ``dict(file["units"])["time"]`` is ``s``.
- ``.csv`` and ``.parquet``: one column per channel, the first ``time [s]``, headers ``name [unit]``.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from shaftloop.analysis.simulation import Simulation
from shaftloop.report.files import check_file, open_atomically

__all__ = ["check_traces", "write_traces"]

_CHUNK = 5000


def check_traces(path: Path) -> None:
    """Make sure that traces can be written to a file, before a long run.

    Raises
    ------
    OutputError
        Where its ending is not known, a package is missing or its folder cannot be written to.
    """
    check_file(path, "traces are", _WRITERS)


def write_traces(path: Path, simulation: Simulation) -> None:
    """Write the recorded channels of a run.

    Parameters
    ----------
    path : Path
        File; its ending says the format.
    """
    with open_atomically(path) as file:
        _WRITERS[path.suffix](file, simulation)


def _header(simulation: Simulation) -> list[str]:
    return ["time [s]", *(f"{name} [{simulation.units[name]}]" for name in simulation.traces)]


def _write_npz(file: BinaryIO, simulation: Simulation) -> None:
    units = np.array([("time", "s"), *((name, simulation.units[name]) for name in simulation.traces)])
    arrays: dict[str, Any] = {"time": simulation.time, "units": units, **simulation.traces}
    np.savez(file, **arrays)


def _write_csv(file: BinaryIO, simulation: Simulation) -> None:
    """Write every number with as many digits as it takes to read the same one back."""
    file.write((",".join(_header(simulation)) + "\n").encode())
    columns = [simulation.time, *simulation.traces.values()]
    for first in range(0, len(simulation.time), _CHUNK):
        rows = zip(*(column[first : first + _CHUNK].tolist() for column in columns), strict=True)
        file.write("".join(",".join(map(repr, row)) + "\n" for row in rows).encode())


def _write_parquet(file: BinaryIO, simulation: Simulation) -> None:
    import pyarrow
    import pyarrow.parquet

    columns = [simulation.time, *simulation.traces.values()]
    pyarrow.parquet.write_table(pyarrow.table(columns, names=_header(simulation)), file)


_WRITERS: dict[str, Callable[[BinaryIO, Simulation], None]] = {
    ".npz": _write_npz,
    ".csv": _write_csv,
    ".parquet": _write_parquet,
}
