"""All candidates of a study as one file: CSV or Parquet, row by row, so that memory stays flat.

Columns: ``candidate``, ``status``, ``reason``, one per factor and figure as ``name [unit]``, ``passes`` and
``front`` (1 or 0). An empty cell is a factor left as in the scenario, or a figure that is not there.
"""

import csv
import io
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from shaftloop.report.files import check_file, open_atomically
from shaftloop.studies.whatif.answers import Answers
from shaftloop.studies.whatif.factors import Listed
from shaftloop.studies.whatif.store import ResultStore

__all__ = ["check_table", "write_table"]

_CHUNK = 1000


def check_table(path: Path) -> None:
    """Make sure that a table can be written to a file, before a long study.

    Raises
    ------
    OutputError
        Where its ending is not known, a package is missing or its folder cannot be written to.
    """
    check_file(path, "a table is", _WRITERS)


def write_table(path: Path, store: ResultStore, answers: Answers) -> None:
    """Write the candidates of a study that have been evaluated.

    Parameters
    ----------
    path : Path
        File; its ending says the format.
    """
    with open_atomically(path) as file:
        _WRITERS[path.suffix](file, store, answers)


def _header(store: ResultStore) -> list[str]:
    study = store.study
    factors = [f"{axis.path} [{axis.unit or 1}]" for axis in study.axes]
    figures = [f"{name} [{entry.unit}]" for name, entry in study.figures.items()]
    return ["candidate", "status", "reason", *factors, *figures, "passes", "front"]


def _rows(store: ResultStore, answers: Answers) -> Iterator[tuple[Any, ...]]:
    front = set(answers.front.tolist())
    for number, status, reason, values, figures, _ in store.entries():
        yield number, status, reason, *values, *figures, int(answers.passed[number]), int(number in front)


def _write_csv(file: BinaryIO, store: ResultStore, answers: Answers) -> None:
    """Write every number with as many digits as it takes to read the same one back."""
    text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_header(store))
    writer.writerows(_rows(store, answers))
    text.detach()


def _write_parquet(file: BinaryIO, store: ResultStore, answers: Answers) -> None:
    import pyarrow
    import pyarrow.parquet

    text, real, whole = pyarrow.string(), pyarrow.float64(), pyarrow.int64()
    listed = [isinstance(axis, Listed) and isinstance(axis.choices[0], str) for axis in store.study.axes]
    kinds = [whole, text, text, *(text if words else real for words in listed)]
    kinds += [real] * len(store.study.figures) + [whole, whole]
    schema = pyarrow.schema(list(zip(_header(store), kinds, strict=True)))
    rows = _rows(store, answers)
    with pyarrow.parquet.ParquetWriter(file, schema) as writer:
        while chunk := list(islice(rows, _CHUNK)):
            columns = [
                pyarrow.array(column, kind)
                for column, kind in zip(zip(*chunk, strict=True), kinds, strict=True)
            ]
            writer.write_table(pyarrow.table(columns, schema=schema))


_WRITERS: dict[str, Callable[[BinaryIO, ResultStore, Answers], None]] = {
    ".csv": _write_csv,
    ".parquet": _write_parquet,
}
