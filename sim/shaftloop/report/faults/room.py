"""What `shaftloop faults` found: as a document, on the terminal, as a folder of files."""

from collections.abc import Iterator
from typing import Any

from shaftloop.analysis.ratings import Load
from shaftloop.answers.faults import FaultsAnswer
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import identity, origin
from shaftloop.report.faults.verdict import bound, damage, seen, verdict
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.scenario.faults import said
from shaftloop.studies.faults import BY_SEQUENCE, NEVER, FaultRun

__all__ = ["FILE", "advice", "dangers", "details", "document", "pictures", "reservations", "verdict"]

FILE = "faults.json"

_MOST_DANGERS = 3
_LEFT_OUT = (
    "Left out: what a broken part does next, how a part blocks (here at once, the worst case), and what the "
    "diodes of an inverter with blocked pulses do."
)


def document(results: FaultsAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    return {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "protected": results.protected,
        "figures": {name: figure.document() for name, figure in results.figures.items()},
        "faults": [_run(run) for run in results.runs],
        "warnings": list(results.warnings),
    }


def details(results: FaultsAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    table = new_table(
        f"{results.title}: what fails, at the worst of the moments tried",
        *("fault", "verdict", "worst part", "largest", "interlock", "torque away after"),
    )
    for run in results.runs:
        load = run.worst
        add_row(
            table,
            said(run.fault),
            _judged(run),
            "-" if load is None else f"{load.part}, {load.quantity}",
            "-" if load is None else f"{show(load.peak, load.unit, 3)} {bound(load)}",
            run.tripped or "none",
            _away(run),
        )
    yield table
    description = results.scenario.description
    link = ", at most draw from and feed into the link" if description.supply.link() else ""
    stated = "; what the scenario states, as it does" if description.fault else ""
    tried = sum(run.tried for run in results.runs)
    yield (
        f"{tried} runs: at the largest torque, power and speed{link}, and four phases of the first mode from "
        f"there{stated}."
    )
    yield _LEFT_OUT


def _away(run: FaultRun) -> str:
    """Return how long behind the fault an interlock takes the torque away, in a word where none does."""
    if run.off is not None:
        return show(run.off, "s", 3)
    return {NEVER: "never", BY_SEQUENCE: "by the sequence", "": "-"}.get(run.kept, "before the fault")


def _judged(run: FaultRun) -> str:
    if run.error:
        return f"cannot be run: {run.error}"
    return "DAMAGE" if run.damages else "above rating" if run.strains else "stands"


def advice(results: FaultsAnswer) -> Iterator[str]:
    """Yield what would help most, where a fault does damage."""
    if results.damaging:
        yield f"For the case that {said(results.runs[0].fault)}: {verdict(results)[-1]}"


def dangers(results: FaultsAnswer) -> Iterator[str]:
    """Yield the worst faults that take a part beyond its limit, and how many more do."""
    damaging = results.damaging
    for run in damaging[:_MOST_DANGERS]:
        yield f"If {said(run.fault)}" + ("." if run.worst is None else f", {seen(run.worst)}.")
    if len(damaging) > _MOST_DANGERS:
        more = len(damaging) - _MOST_DANGERS
        yield f"{more} more fault{'' if more == 1 else 's'} would take a part beyond its limit: see there."


def reservations(results: FaultsAnswer) -> Iterator[str]:
    """Yield, as a clause, that faults do damage, and how many of them no interlock notices.

    Parameters
    ----------
    results : FaultsAnswer
        What was found.
    """
    missed = sum(not run.tripped for run in results.damaging)
    if results.damaging:
        yield damage(results) + (f"; no interlock notices {missed} of them" if missed else "")


def pictures(results: FaultsAnswer) -> list[Picture]:
    """Return what can be drawn."""
    from shaftloop.report.faults.bars import faults_picture

    return [faults_picture(results, verdict(results)[0])]


def _run(run: FaultRun) -> dict[str, Any]:
    return {
        "name": run.fault.name,
        "on": run.fault.on,
        "kind": run.fault.kind,
        "at": number(float(run.fault.at), "s"),
        "until": number(None if run.fault.until is None else float(run.fault.until), "s", "it lasts"),
        "moment": run.moment,
        "moments_tried": run.tried,
        "verdict": _judged(run),
        "share": number(None if run.error else run.share, "1", run.error or ""),
        "loads": [_load(load) for load in run.loads],
        "lowest_voltage": number(run.lowest_voltage, "V", run.error or "the link is stiff"),
        "interlock": run.tripped,
        "reaction": number(run.reaction, "s", run.error or "no interlock trips"),
        "torque_away": number(run.off, "s", run.error or run.kept),
    }


def _load(load: Load) -> dict[str, Any]:
    return {
        "part": load.part,
        "quantity": load.quantity,
        "largest": number(load.peak, load.unit),
        "rated": number(load.rated, load.unit, "not stated"),
        "limit": number(load.limit, load.unit, "not stated"),
    }
