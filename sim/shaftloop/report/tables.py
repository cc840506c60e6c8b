"""What people read on the terminal. Everything goes to stderr: stdout belongs to machines."""

import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from shaftloop.analysis.metrics import LOSS_PREFIX, Metric
from shaftloop.analysis.overlay import Overlay
from shaftloop.analysis.simulation import Simulation
from shaftloop.analysis.verify import Verification
from shaftloop.engine.supervision import Event
from shaftloop.report.quantities import show
from shaftloop.report.results import Results

__all__ = ["CAUTIONS", "Progress", "show_results"]

CAUTIONS = (
    "Cautions: the link is stiff; saturation, cogging, backlash and temperature are left out. "
    "Trust grows with --verify (steps) and --overlay measured.csv (model)."
)

_WORTH_A_LINE = 0.01
_MOST_EVENTS = 8
_NUMBERS = ("value", "change", "mean", "rms", "largest")
_PATIENCE = 1.0
"""Time without a progress line. [s]"""


def show_results(results: Results, files: Sequence[Path]) -> None:
    """Print what was found in a run, in the units of people, and where its files are.

    Parameters
    ----------
    results : Results
        Of the run.
    files : sequence of Path
        Files that were written.
    """
    _show_metrics(results.title, results.metrics)
    _show_events(results.simulation.events)
    if results.verification is not None:
        _show_verification(results.verification)
    if results.overlay is not None:
        _show_overlay(results.overlay)
    _show_speed(results.simulation)
    _show_files(files)
    _print(CAUTIONS)


def _show_metrics(title: str, metrics: dict[str, Metric]) -> None:
    table = _table(title, "metric", "value", "")
    loss = metrics["loss_energy"].value or 0.0
    for name, metric in metrics.items():
        if name.startswith(LOSS_PREFIX) and abs(metric.value or 0.0) <= _WORTH_A_LINE * loss:
            continue
        _add(table, name.replace(LOSS_PREFIX, "  "), *_value_and_note(metric))
    _console().print(table)


def _show_events(events: Sequence[Event]) -> None:
    """Print the first events; those of a limit that chatters would fill the screen."""
    for event in events[:_MOST_EVENTS]:
        _print(f"{event.time:.6g} s: {event.name} {event.kind.replace('_', ' ')}")
    if len(events) > _MOST_EVENTS:
        last, more = events[-1], len(events) - _MOST_EVENTS
        what = f"{last.name} {last.kind.replace('_', ' ')}"
        _print(f"... and {more} more, the last one at {last.time:.6g} s: {what}")


def _show_verification(verification: Verification) -> None:
    step = show(verification.step, "s", 3)
    table = _table(
        f"Repeated with steps {verification.factor} times finer, {step}", "metric", "change", "relative"
    )
    for name, entry in verification.changes.items():
        if name in verification.small:
            continue
        if entry.change is None or entry.relative is None:
            _add(table, name, "-", entry.reason or "")
        else:
            _add(table, name, show(entry.change, entry.unit, 2), f"{entry.relative:.1e}")
    _console().print(table)


def _show_overlay(overlay: Overlay) -> None:
    table = _table(f"Simulated minus measured, {overlay.file}", "channel", "mean", "rms", "largest", "at")
    for name, entry in overlay.channels.items():
        largest, at = entry.worst
        values = [show(value, entry.unit, 3) for value in (entry.mean, entry.rms, largest)]
        _add(table, name, *values, f"{at:.6g} s")
    _console().print(table)
    if overlay.left_out:
        _print(f"not recorded by the simulation, left out: {', '.join(overlay.left_out)}")


def _show_speed(simulation: Simulation) -> None:
    factor, took = simulation.duration / simulation.wall_time, show(simulation.wall_time, "s", 2)
    _print(f"{simulation.duration:g} s of bench in {took}, {factor:.3g} x real time")


def _show_files(files: Sequence[Path]) -> None:
    """Print the files, one line per folder."""
    folders: dict[Path, list[str]] = {}
    for path in files:
        folders.setdefault(path.parent, []).append(path.name)
    for folder, names in folders.items():
        _print(f"written to {folder}: {', '.join(names)}")


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

            self._line = Line(console=_console(), transient=True)
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


def _console() -> Any:
    from rich.console import Console

    return Console(stderr=True, width=None if sys.stderr.isatty() else 110, highlight=False, soft_wrap=False)


def _print(text: str) -> None:
    _console().print(text, markup=False, soft_wrap=True)


def _table(title: str, *columns: str) -> Any:
    """Print a title, which a table would wrap to its own width, and return the table to go below it."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    _console().print(Text(title, style="bold"), soft_wrap=True)
    table = Table(box=SIMPLE_HEAD)
    for i, column in enumerate(columns):
        table.add_column(column, justify="right" if column in _NUMBERS else "left", no_wrap=i < 2)
    return table


def _add(table: Any, *cells: str) -> None:
    from rich.text import Text

    table.add_row(*(Text(cell) for cell in cells))


def _value_and_note(metric: Metric) -> tuple[str, str]:
    if metric.value is None:
        return "-", metric.reason or ""
    return show(metric.value, metric.unit), "" if metric.at is None else f"at {metric.at:.6g} s"
