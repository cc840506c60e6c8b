"""What `shaftloop faults` found: as a document, on the terminal, as a folder of files."""

from collections.abc import Iterator, Sequence
from typing import Any

from shaftloop.analysis.ratings import Load
from shaftloop.answers.faults import FaultsAnswer
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import identity, origin
from shaftloop.report.faults.verdict import bound, damage, happens, seen, verdict
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.studies.faults import BY_SEQUENCE, NEVER, FaultRun
from shaftloop.studies.guarding import Guarding
from shaftloop.words import spoken

__all__ = ["FILE", "advice", "dangers", "details", "document", "pictures", "reservations", "verdict"]

FILE = "faults.json"

_MOST_DANGERS = 3
_WIDE = 5
"""Parts in one table."""
_LEFT_OUT = "Left out: what a broken part does next, and how a part blocks (here at once, the worst case)."


def document(results: FaultsAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    return {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "protected": results.protected,
        "figures": {name: figure.document() for name, figure in results.figures.items()},
        "faults": [_run(run) for run in results.runs],
        "interlocks_save": [run.fault.name for run in results.saved],
        "further_interlocks": None if results.guarding is None else _guarding(results.guarding),
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
            happens(run),
            _judged(run),
            "-" if load is None else f"{load.part}, {load.quantity}",
            "-" if load is None else f"{show(load.peak, load.unit, 3)} {bound(load)}",
            run.tripped or "none",
            _away(run),
        )
    yield table
    yield from _seen(results)
    description = results.scenario.description
    link = ", at most draw from and feed into the link" if description.supply.link() else ""
    stated = "; what the scenario states, as it does" if description.fault else ""
    tried = sum(run.tried for run in results.runs)
    yield (
        f"{tried} runs: at the largest torque, power and speed{link}, and four phases of the first mode from "
        f"there{stated}."
    )
    yield _LEFT_OUT


def _seen(results: FaultsAnswer) -> Iterator[Piece]:
    """Yield what every part sees in every fault, a few parts a table."""
    runs = [run for run in results.runs if run.error is None]
    places = list(dict.fromkeys((load.part, load.quantity) for run in runs for load in run.loads))
    low = any(run.lowest_voltage is not None for run in runs)
    for first in range(0, len(places), _WIDE):
        some = places[first : first + _WIDE]
        heads = [_head(part, quantity, runs) for part, quantity in some]
        last = low and first + _WIDE >= len(places)
        title = "What the parts see" if first == 0 else "What further parts see"
        table = new_table(title, "fault", *heads, *(["link\nlowest"] if last else []))
        for run in runs:
            seen = {(load.part, load.quantity): load for load in run.loads}
            values = [_marked(seen.get(place)) for place in some]
            lowest = [] if run.lowest_voltage is None else [show(run.lowest_voltage, "V", 3)]
            add_row(table, happens(run), *values, *(lowest if last else []))
        yield table
    if places:
        yield "! beyond its limit, + above its rating; below each name rating / limit as far as stated."


def _head(part: str, quantity: str, runs: Sequence[FaultRun]) -> str:
    same = (load for run in runs for load in run.loads if (load.part, load.quantity) == (part, quantity))
    load = next(same)
    bounds = ["-" if bound is None else show(bound, load.unit, 3) for bound in (load.rated, load.limit)]
    return f"{part}, {spoken(quantity)}\n{bounds[0]} / {bounds[1]}"


def _marked(load: Load | None) -> str:
    if load is None:
        return "-"
    return show(load.peak, load.unit, 3) + (" !" if load.beyond_limit else " +" if load.beyond_rating else "")


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
        yield f"For the case that {happens(results.runs[0])}: {verdict(results)[-1]}"


def dangers(results: FaultsAnswer) -> Iterator[str]:
    """Yield the worst faults that take a part beyond its limit, and how many more do."""
    damaging = results.damaging
    for run in damaging[:_MOST_DANGERS]:
        yield f"If {happens(run)}" + ("." if run.worst is None else f", {seen(run.worst)}.")
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


def _guarding(guarding: Guarding) -> dict[str, Any]:
    return {
        "limits": [
            {
                "watches": limit.watches,
                "quantity": limit.quantity,
                "above": number(limit.above, "rad/s" if limit.quantity == "speed" else "N m"),
            }
            for limit in guarding.limits
        ],
        "tried": [run.fault.name for run in guarding.tried],
        "saved": [run.fault.name for run in guarding.saved],
    }


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
        "loads": [load.document() for load in run.loads],
        "lowest_voltage": number(run.lowest_voltage, "V", run.error or "the link is stiff"),
        "interlock": run.tripped,
        "reaction": number(run.reaction, "s", run.error or "no interlock trips"),
        "torque_away": number(run.off, "s", run.error or run.kept),
    }
