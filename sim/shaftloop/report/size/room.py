"""What `shaftloop size` found: as a document, on the terminal, as a folder of files."""

from collections.abc import Iterator
from typing import Any

from shaftloop.analysis.lateral import bending_figures
from shaftloop.answers.sizing import SizeAnswer
from shaftloop.figures import number
from shaftloop.report.documents import identity, origin
from shaftloop.report.quantities import percent, show
from shaftloop.report.size.verdict import advice, verdict
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.scenario.faults import said
from shaftloop.studies.linksizing import LinkSize
from shaftloop.studies.sizing import Sized
from shaftloop.words import spoken
from shaftloop_models.lateral import CLEAR

__all__ = ["FILE", "advice", "details", "document", "verdict"]

FILE = "size.json"

_LEFT_OUT = (
    "A rating counts against the rms of a torque and the peak of what has none, a limit against the worst "
    "fault. Strong enough is what states as much and stands sequence and worst fault when the bench is run "
    "with it; a sensor must measure as well: ask shaftloop sensors. Left out: fatigue, key and bolt loads, "
    "bearing life."
)
_NONE_BENDS = (
    "Lateral critical speeds and residual unbalance are looked at where a shaft or torque sensor has a table "
    "lateral; here none has."
)
_BENDING = (
    f"In bending, the lowest critical speed is to be {CLEAR:g} times the speed of the sequence (common "
    "practice) and above that of any fault; Dunkerley and Rayleigh bound it. Left out: shear, gyroscopic "
    "inertia, damping. The unbalance is what balance_grade leaves at the highest speed of service; its force "
    "is that of a rigid rotor, and 1/(1 - (speed/critical)^2) times that where the rotor bends."
)


def document(results: SizeAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    return {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "faults": results.faults,
        "figures": {name: figure.document() for name, figure in results.figures.items()},
        "parts": [_entry(entry) for entry in results.sized],
        "link": [_bound(entry) for entry in results.link],
        "lateral": {name: figure.document() for name, figure in bending_figures(results.bending).items()},
        "warnings": list(results.warnings),
    }


def details(results: SizeAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    columns = ("part", "sequence", "rms", "worst fault", "rated", "limit", "used", "serves", "strong enough")
    table = new_table(f"{results.title}: what is asked of the parts", *columns)
    for entry in results.sized:
        values = (entry.sequence, entry.rms, entry.fault, entry.rated, entry.limit)
        add_row(
            table,
            f"{entry.part}, {spoken(entry.quantity)}",
            *("-" if value is None else show(value, entry.unit, 3) for value in values),
            "-" if entry.serves is None else f"{percent(entry.used)}",
            _judged(entry),
            ", ".join(entry.others) or "-",
        )
    yield table
    if results.bending:
        yield _bending(results)
    if results.link:
        yield _link(results)
    worst = {entry.worst.fault.name: entry.worst for entry in results.short if entry.worst is not None}
    for run in worst.values():
        parts = ", ".join(e.part for e in results.short if e.worst is not None and e.worst.fault == run.fault)
        yield f"Worst for {parts}: {said(run.fault)} at {float(run.fault.at):.4g} s; see shaftloop faults."
    yield _LEFT_OUT
    yield _BENDING if results.bending else _NONE_BENDS


def _link(results: SizeAnswer) -> Piece:
    """Return the table of what the link needs."""
    columns = ("bound", "stated", "found", "does not do", "for there", "runs")
    table = new_table("The DC link, by runs of the sequence", *columns)
    for entry in results.link:
        figure = entry.figure
        value = figure.reason if figure.value is None else show(figure.value, figure.unit, 4)
        worse = "-" if entry.worse is None else show(entry.worse, figure.unit, 4)
        name = spoken(figure.name.replace(".", ", "))
        add_row(
            table, name, show(entry.stated, figure.unit, 4), value, worse, entry.why or "-", str(entry.runs)
        )
    return table


def _bound(entry: LinkSize) -> dict[str, Any]:
    unit = entry.figure.unit
    return {
        "key": entry.key,
        "bound": number(entry.figure.value, unit, entry.figure.reason),
        "stated": number(entry.stated, unit),
        "does_not_do": number(entry.worse, unit, "no such value was run"),
        "why": entry.why,
        "runs": entry.runs,
    }


def _bending(results: SizeAnswer) -> Piece:
    """Return the table of what bends."""
    columns = ("part", "mass", "carried", "lowest critical speed", "bounds", "second", "grade", "unbalance")
    table = new_table("In bending", *columns)
    for entry in results.bending:
        found = entry.criticals
        carried = (_end(*entry.rotor.left), _end(*entry.rotor.right))
        add_row(
            table,
            entry.part,
            f"{entry.rotor.mass:.3g} kg",
            carried[0] if carried[0] == carried[1] else " / ".join(carried),
            show(found.lowest, "rad/s"),
            f"{show(found.below, 'rad/s')} to {show(found.above, 'rad/s')}",
            "-" if found.second is None else show(found.second, "rad/s"),
            "-" if entry.grade is None else f"G {1e3 * entry.grade:g}",
            "-" if entry.unbalance is None else show(entry.unbalance, "kg m"),
        )
    return table


def _end(kind: str, radial: float | None) -> str:
    return kind if radial is None else f"{kind} on {1e-6 * radial:.3g} kN/mm"


def _judged(entry: Sized) -> str:
    if entry.serves is None:
        return "not judged"
    return (entry.doubt or "yes") if entry.serves else "NO"


def _entry(entry: Sized) -> dict[str, Any]:
    return {
        "part": entry.part,
        "quantity": entry.quantity,
        "sequence": number(entry.sequence, entry.unit),
        "rms": number(entry.rms, entry.unit, "of no use for this quantity"),
        "fault": number(entry.fault, entry.unit, "no fault was tried"),
        "worst_fault": None if entry.worst is None else said(entry.worst.fault),
        "rated": number(entry.rated, entry.unit, "not stated"),
        "limit": number(entry.limit, entry.unit, "not stated"),
        "used": number(entry.used, "1"),
        "serves": entry.serves,
        "others": list(entry.others),
    }
