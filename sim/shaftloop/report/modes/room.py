"""What `shaftloop modes` found: as a document, on the terminal, as a folder of files."""

from collections.abc import Iterator
from typing import Any

from shaftloop.analysis.interference import Meeting
from shaftloop.analysis.modes import Mode
from shaftloop.answers.modes import ModesAnswer
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import identity, origin
from shaftloop.report.modes.verdict import verdict
from shaftloop.report.quantities import percent, show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.scenario.ratios import order_text

__all__ = ["FILE", "details", "document", "pictures", "verdict"]

FILE = "modes.json"

_NOTE = (
    "Mechanics alone: springs, their damping, viscous drag. What the controllers make of a mode, the margins "
    "of the loops say."
)
_MOST_ROWS = 24


def document(results: ModesAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    line, found = results.line, results.interference
    return {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "sensor": line.sensor,
        "modes": [_mode(mode, line.sensor) for mode in results.modes],
        "aperiodic_modes": len(line.springs) - len(results.modes),
        "antiresonances": {
            machine: [number(float(value), "Hz") for value in line.antiresonances(machine)]
            for machine in line.machines
        },
        "operating_speed": number(found.operating_speed, "rad/s"),
        "max_speed": number(found.max_speed, "rad/s"),
        "excitations": [{"order": entry.order, "source": entry.source} for entry in found.excitations],
        "meetings": [_meeting(meeting) for meeting in found.meetings],
        "warnings": list(results.warnings),
    }


def details(results: ModesAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    line, found = results.line, results.interference
    gains = [f"{line.sensor} per N m of {name}" for name in line.machines] if line.sensor else []
    table = new_table(f"{results.title}: modes", "mode", "frequency", "damping", "strains", "nodes", *gains)
    for i, mode in enumerate(results.modes, 1):
        values = [_gain(value) for value in mode.amplification.values()] if gains else []
        add_row(
            table,
            f"{i}",
            f"{mode.frequency:#.5g} Hz",
            f"{percent(mode.damping_ratio, 2)}",
            strained(mode),
            _nodes(mode),
            *values,
        )
    yield table
    yield _NOTE
    if line.held:
        return
    speed = show(found.operating_speed, "rad/s")
    title = f"Resonance crossings up to {show(found.max_speed, 'rad/s')}, margin from {speed}"
    table = new_table(title, "order", "speed", "margin", "mode", "source")
    for meeting in found.meetings[:_MOST_ROWS]:
        margin = "-" if meeting.margin is None else f"{meeting.margin:+.1f} %"
        mark = "  <- nearest" if meeting.nearest else ""
        order, source = order_text(meeting.excitation.order), meeting.excitation.source
        add_row(table, order, show(meeting.speed, "rad/s"), margin, f"{meeting.mode}", source + mark)
    yield table
    if len(found.meetings) > _MOST_ROWS:
        yield f"... and {len(found.meetings) - _MOST_ROWS} more at higher speeds, in modes.json"


def strained(mode: Mode) -> str:
    """Return the parts that a mode strains, those above a tenth, most strained first.

    Parameters
    ----------
    mode : Mode
        From `find_modes`.
    """
    ranked = sorted(mode.strains.items(), key=lambda item: -item[1])
    worth = [item for item in ranked if item[1] >= 0.1] or ranked[:1]
    return ", ".join(f"{part} {percent(share)}" for part, share in worth[:3])


def _nodes(mode: Mode) -> str:
    """Return where the line stands still: springs, with how far from their left end."""
    return ", ".join(f"{part} at {percent(share)}" for part, share in mode.nodes.items()) or "-"


def pictures(results: ModesAnswer) -> list[Picture]:
    """Return what can be drawn."""
    from shaftloop.report.modes.campbell import campbell_picture
    from shaftloop.report.modes.shapes import modes_picture

    modes, subject = results.modes, results.title
    found = [modes_picture(results.line, modes, verdict(results)[0], subject)]
    # A line that is held has no speed to draw over.
    return found if results.line.held else [*found, campbell_picture(results.interference, modes, subject)]


def _mode(mode: Mode, sensor: str | None) -> dict[str, Any]:
    reason = "no damping: the response has no end" if sensor else "the line has no torque sensor"
    return {
        "frequency": number(mode.frequency, "Hz"),
        "damping_ratio": mode.damping_ratio,
        "shape": mode.shape,
        "strains": mode.strains,
        "most_strained": mode.weakest,
        "nodes": mode.nodes,
        "amplification": {name: number(value, "1", reason) for name, value in mode.amplification.items()},
    }


def _meeting(meeting: Meeting) -> dict[str, Any]:
    document: dict[str, Any] = {
        "order": meeting.excitation.order,
        "source": meeting.excitation.source,
        "mode": meeting.mode,
        "frequency": number(meeting.frequency, "Hz"),
        "speed": number(meeting.speed, "rad/s"),
        "margin_percent": meeting.margin,
        "nearest": meeting.nearest,
    }
    return document if meeting.margin is not None else document | {"reason": "the operating speed is zero"}


def _gain(value: float | None) -> str:
    return "no end" if value is None else f"{value:#.3g}".rstrip(".")
