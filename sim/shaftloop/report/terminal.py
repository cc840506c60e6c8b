"""Lines and tables on the terminal. Answers go to stdout, progress to stderr."""

import os
import sys
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock, Timer
from types import TracebackType
from typing import Any, ClassVar, Self

from shaftloop.text import escaped

__all__ = [
    "Grid",
    "Piece",
    "Progress",
    "add_row",
    "console",
    "new_table",
    "print_answer",
    "print_details",
    "print_line",
    "print_table",
    "show_cautions",
    "show_files",
]

_PATIENCE = 1.0
"""Time without a progress line. [s]"""
_WIDE = 140
"""Width of a table where nobody says how wide the output is."""
_PROSE = 24
"""Least width of prose in a table."""
_NUMBERS = ("value", "change", "mean", "rms", "largest", "order", "frequency", "damping", "speed", "margin")


def console(*, stderr: bool = False) -> Any:
    """Return a rich console. What it shows steers no terminal, wherever it comes from.

    Parameters
    ----------
    stderr : bool
        True for what is no part of the answer.
    """
    from rich.console import Console
    from rich.segment import Segment

    class Plain(Console):
        def render(self, renderable: Any, options: Any = None) -> Any:
            for segment in super().render(renderable, options):
                yield segment if segment.control else Segment(escaped(segment.text), segment.style)

    width = None if sys.stdout.isatty() or "COLUMNS" in os.environ else _WIDE
    return Plain(stderr=stderr, width=width, highlight=False, soft_wrap=False)


def print_line(text: str) -> None:
    """Print a line; on a terminal, and where ``COLUMNS`` says how wide it is, it wraps between words.

    Parameters
    ----------
    text : str
        Plain text; nothing in it is taken for markup.
    """
    out = console()
    out.print(_wrapped(text, out), markup=False, soft_wrap=True)


def _wrapped(text: str, out: Any) -> str:
    """Return a text in lines that fit; a word that is longer than a line, such as a path, stays whole."""
    if not sys.stdout.isatty() and "COLUMNS" not in os.environ:
        return text
    keep: Any = {"break_long_words": False, "break_on_hyphens": False}
    return "\n".join(textwrap.fill(line, out.width, **keep) for line in text.splitlines())


def print_answer(sentences: Sequence[str]) -> None:
    """Print the answer to a question, ahead of all details.

    Parameters
    ----------
    sentences : sequence of str
        One to three, in plain words.
    """
    for sentence in sentences:
        print_line(sentence)
    print_line("")


@dataclass(frozen=True)
class Grid:
    """A table to print."""

    title: str
    columns: tuple[str, ...]
    rows: list[tuple[str, ...]] = field(default_factory=list)


Piece = Grid | str
"""What details are made of: a table, or a line."""


def new_table(title: str, *columns: str) -> Grid:
    """Return an empty table.

    Parameters
    ----------
    title : str
        Plain text.
    *columns : str
        Headers.
    """
    return Grid(title, columns)


def add_row(table: Grid, *cells: str) -> None:
    """Add a row to a table.

    Parameters
    ----------
    table : Grid
        From `new_table`.
    *cells : str
        Plain texts; those that are left out are empty.
    """
    table.rows.append((*cells, *("",) * (len(table.columns) - len(cells))))


def print_table(table: Grid) -> None:
    """Print a table; each row becomes a block of lines where it is wider than the terminal: nothing is cut.

    Parameters
    ----------
    table : Grid
        From `new_table`.
    """
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    out = console()
    out.print(Text(_wrapped(table.title, out), style="bold"), soft_wrap=True)
    widths = [
        max(len(line) for cell in (header, *cells) for line in (cell.splitlines() or [""]))
        for header, *cells in zip(table.columns, *table.rows, strict=True)
    ]
    # Only the last column is prose that may wrap.
    least = sum(widths[:-1]) + min(widths[-1], _PROSE) + 3 * len(widths) + 1
    if least > out.width:
        _print_blocks(out, table)
        return
    shown = Table(box=SIMPLE_HEAD)
    for i, column in enumerate(table.columns):
        last = i == len(table.columns) - 1
        shown.add_column(
            Text(column),
            justify="right" if column in _NUMBERS else "left",
            no_wrap=not last,
            min_width=None if last else widths[i],
        )
    for row in table.rows:
        shown.add_row(*(Text(cell) for cell in row))
    out.print(shown)


def _print_blocks(out: Any, table: Grid) -> None:
    from rich.table import Table
    from rich.text import Text

    for head, *cells in table.rows:
        title = _wrapped(f"  {table.columns[0]} {' '.join(head.split())}".rstrip(), out)
        out.print(Text(title), overflow="ignore", crop=False)
        block = Table.grid(padding=(0, 2), pad_edge=False)
        block.add_column(no_wrap=True)
        block.add_column(overflow="fold")
        for column, cell in zip(table.columns[1:], cells, strict=True):
            if cell:
                block.add_row(Text(f"    {' '.join(column.split())}"), Text(cell))
        out.print(block)
    out.print()


def print_details(pieces: Iterable[Piece]) -> None:
    """Print the tables and lines of an answer.

    Parameters
    ----------
    pieces : iterable of Grid or str
        In their order.
    """
    for piece in pieces:
        if isinstance(piece, str):
            print_line(piece)
        else:
            print_table(piece)


def show_cautions(cautions: Sequence[str]) -> None:
    """Print what is to be minded at the bench itself, last, where it is read.

    Parameters
    ----------
    cautions : sequence of str
        Sentences.
    """
    if cautions:
        print_line(f"Caution: {' '.join(cautions)}")


def show_files(files: Sequence[Path]) -> None:
    """Print where files were written, one line per folder.

    Parameters
    ----------
    files : sequence of Path
        Files.
    """
    folders: dict[Path, list[str]] = {}
    for path in files:
        folders.setdefault(path.parent, []).append(path.name)
    for folder, names in folders.items():
        print_line(f"written to {folder}: {', '.join(names)}")


class Progress:
    """A progress line on stderr: only for what takes a while, and only where a person may be watching.

    One inside another takes its place as long as it lasts.

    Parameters
    ----------
    label : str
        What is going on.
    """

    _inmost: ClassVar["Progress | None"] = None

    def __init__(self, label: str) -> None:
        self._label = label
        self._watched = sys.stderr.isatty()
        self._share: float | None = None
        self._line: Any = None
        self._task: Any = None
        self._outer: Progress | None = None
        self._timer: Timer | None = None
        self._changing = Lock()

    def __call__(self, share: float) -> None:
        """Show the share that is done."""
        with self._changing:
            self._share = share
            if self._line is not None:
                self._line.update(self._task, completed=share, total=1.0)

    def _show(self) -> None:
        from rich.progress import Progress as Line

        with self._changing:
            if self._timer is None:  # It ended meanwhile.
                return
            self._line = Line(console=console(stderr=True), transient=True)
            known = self._share is not None
            self._task = self._line.add_task(
                self._label, total=1.0 if known else None, completed=self._share or 0.0
            )
            self._line.start()

    def _wait(self) -> None:
        self._timer = Timer(_PATIENCE, self._show)
        self._timer.daemon = True
        self._timer.start()

    def _hide(self) -> None:
        with self._changing:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            if self._line is not None:
                self._line.stop()
                self._line = None

    def __enter__(self) -> Self:
        """Begin."""
        if self._watched:
            self._outer, Progress._inmost = Progress._inmost, self
            if self._outer is not None:
                self._outer._hide()
            self._wait()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the line away."""
        if self._watched:
            self._hide()
            Progress._inmost = self._outer
            if self._outer is not None:
                self._outer._wait()
