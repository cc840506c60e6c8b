"""Lines and tables on the terminal. Everything goes to stderr: stdout belongs to machines."""

import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from shaftloop.text import escaped

__all__ = ["Progress", "add_row", "console", "new_table", "print_line", "show_files"]

_PATIENCE = 1.0
"""Time without a progress line. [s]"""
_NUMBERS = ("value", "change", "mean", "rms", "largest", "order", "frequency", "damping", "speed", "margin")


def console() -> Any:
    """Return a rich console on stderr. What it shows steers no terminal, wherever it comes from."""
    from rich.console import Console
    from rich.segment import Segment

    class Plain(Console):
        def render(self, renderable: Any, options: Any = None) -> Any:
            for segment in super().render(renderable, options):
                yield segment if segment.control else Segment(escaped(segment.text), segment.style)

    return Plain(stderr=True, width=None if sys.stderr.isatty() else 140, highlight=False, soft_wrap=False)


def print_line(text: str) -> None:
    """Print a line.

    Parameters
    ----------
    text : str
        Plain text; nothing in it is taken for markup.
    """
    console().print(text, markup=False, soft_wrap=True)


def new_table(title: str, *columns: str) -> Any:
    """Print a title, which a table would wrap to its own width, and return the table to go below it.

    Parameters
    ----------
    title : str
        Plain text.
    *columns : str
        Headers.
    """
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    console().print(Text(title, style="bold"), soft_wrap=True)
    table = Table(box=SIMPLE_HEAD)
    for i, column in enumerate(columns):
        table.add_column(Text(column), justify="right" if column in _NUMBERS else "left", no_wrap=i < 2)
    return table


def add_row(table: Any, *cells: str) -> None:
    """Add a row to a table.

    Parameters
    ----------
    table : rich.table.Table
        From `new_table`.
    *cells : str
        Plain texts.
    """
    from rich.text import Text

    table.add_row(*(Text(cell) for cell in cells))


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
    """A progress line on stderr: only for runs that take a while, and only where a person may be watching.

    Parameters
    ----------
    label : str
        What is going on.
    """

    def __init__(self, label: str) -> None:
        self._label = label
        self._begun = time.monotonic()
        self._watched = sys.stderr.isatty()
        self._line: Any = None
        self._task: Any = None

    def __call__(self, share: float) -> None:
        """Show the share that is done."""
        if not self._watched or (self._line is None and time.monotonic() - self._begun < _PATIENCE):
            return
        if self._line is None:
            from rich.progress import Progress as Line

            self._line = Line(console=console(), transient=True)
            self._task = self._line.add_task(self._label, total=1.0)
            self._line.start()
        self._line.update(self._task, completed=share)

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the line away."""
        if self._line is not None:
            self._line.stop()
