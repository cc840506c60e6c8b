"""What `shaftloop show` found: as a document, on the terminal, as a file."""

import textwrap
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from shaftloop.answers.show import Due, ShowAnswer
from shaftloop.figures import number
from shaftloop.report.documents import identity, origin
from shaftloop.report.quantities import percent, show
from shaftloop.report.show.drawing import WIDTH, draw_line
from shaftloop.report.show.verdict import verdict
from shaftloop.report.terminal import Grid, Piece, add_row, new_table
from shaftloop.scenario.statements import Statement

__all__ = ["FILE", "details", "document", "tables", "values", "verdict"]

FILE = "show.json"

_FIRST = 5
"""Modes that are told; all of them are in the document."""
_TABLES = ("line", "loop", "hop", "limit", "fault", "power_meter", "sequence", "expect")
"""Lists whose entries are told apart."""


def document(results: ShowAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    return {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "bodies": [
            {
                "name": body.name,
                "inertia": number(body.inertia, "kg m^2", "a fixed end"),
                "parts": list(body.parts),
                "acted_on_by": list(body.loops),
            }
            for body in results.bodies
        ],
        "springs": [
            {
                "part": spring.part,
                "stiffness": number(spring.stiffness, "N m/rad"),
                "fast_stiffness": number(spring.fast, "N m/rad"),
                "read_by": list(spring.loops),
                "ratio": spring.ratio,
                "backlash": number(spring.play, "rad"),
                "left": results.bodies[joint.left].name,
                "right": [results.bodies[body].name for body in joint.rights],
                "law": spring.law,
            }
            for spring, joint in zip(results.springs, results.tree.joints, strict=True)
        ],
        "tasks": [_task(task) for task in results.tasks],
        "modes": [
            {"frequency": number(mode.frequency, "Hz"), "damping_ratio": mode.damping_ratio}
            for mode in results.modes
        ],
        "machines": {
            machine: {name: number(value, unit) for name, (value, unit) in found.items()}
            for machine, found in results.derived.items()
        },
        "values": {value.path: _value(value) for value in results.values},
        "warnings": list(results.warnings),
    }


def details(results: ShowAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    yield "The line, left to right"
    for line in draw_line(results):
        yield line
    yield ""
    yield from tables(results)
    yield "All values as written, and where they stand"
    for line in _values(results.values):
        yield line


def tables(results: ShowAnswer) -> Iterator[Grid]:
    """Yield what is due when, what follows for the machines, and the first modes."""
    table = new_table("What is due when", "task", "rate", "phase", "latency", "what")
    for task in results.tasks:
        free = ", clock of its own" if task.free_running else ""
        latency = "-" if task.latency is None else show(task.latency, "s", 3) + _why(task)
        add_row(table, task.name, f"{task.rate:.6g} Hz", show(task.phase, "s", 3), latency, task.what + free)
    yield table
    if results.derived:
        table = new_table("What follows for the machines", "machine", "quantity", "value")
        for machine, found in results.derived.items():
            for name, (value, unit) in found.items():
                add_row(table, machine, name.replace("_", " "), show(value, unit, 3))
        yield table
    table = new_table("First modes", "mode", "frequency", "damping", "strains most")
    for i, mode in enumerate(results.modes[:_FIRST], 1):
        add_row(table, f"{i}", f"{mode.frequency:#.5g} Hz", f"{percent(mode.damping_ratio, 2)}", mode.weakest)
    yield table


def values(results: ShowAnswer) -> Grid:
    """Return all values with what states them and what they mean."""
    table = new_table("All values as understood", "path", "value", "stated in", "meaning")
    for value in results.values:
        if value.text is not None:
            add_row(table, value.path, value.text, _place(value), value.meaning)
    return table


def _why(task: Due) -> str:
    key = task.latency_key
    return f" ({key.text}, default)" if key is not None and key.origin == "default" and task.latency else ""


def _task(task: Due) -> dict[str, Any]:
    return {
        "name": task.name,
        "what": task.what,
        "rate": number(task.rate, "Hz"),
        "phase": number(task.phase, "s"),
        "latency": number(task.latency, "s", "nothing waits for it"),
        "free_running": task.free_running,
    }


def _value(value: Statement) -> dict[str, Any]:
    place = {"kind": value.origin} | ({"place": value.place} if value.place else {})
    plain = {"value": value.value} if value.unit is None else {"value": value.value, "unit": value.unit}
    if value.text is None:
        plain["reason"] = "not stated, and nothing stands for it"
    return {**plain, "text": value.text, "meaning": value.meaning, "origin": place}


def _group(value: Statement) -> str:
    words = value.path.split(".")
    return ".".join(words[: 2 if words[0] in _TABLES else 1]) if len(words) > 1 else ""


def _values(values: Sequence[Statement]) -> Iterator[str]:
    """Yield the lines that list all values, table by table."""
    # What stands alone comes first, so that it is no tail of the table before it.
    ordered = sorted(values, key=lambda value: _group(value) != "")
    for group, members in groupby(ordered, key=_group):
        yield group or "scenario"
        listed = [(value.path.removeprefix(f"{group}."), value) for value in members]
        rows = [(key, value.text, _place(value)) for key, value in listed if value.text is not None]
        wide, long = (
            min(max((len(row[i]) for row in rows), default=0), most) for i, most in ((0, 32), (1, 20))
        )
        for key, text, place in rows:
            yield _filled(f"  {key:{wide}}  {text:{long}}  {place}", wide + 4)
        missing = [key for key, value in listed if value.text is None]
        if missing:
            yield _filled(f"  left out: {', '.join(missing)}", 4)


def _filled(text: str, indent: int) -> str:
    return textwrap.fill(
        text, WIDTH, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False
    )


def _place(value: Statement) -> str:
    if value.origin == "setting":
        return f"`settings` {value.place}"
    return Path(value.place).name or "default"
