"""What `shaftloop sensors` found: as a document and on the terminal."""

from collections.abc import Iterable, Iterator
from typing import Any

from shaftloop.answers.sensors import SensorsAnswer
from shaftloop.figures import number
from shaftloop.report.documents import identity, origin
from shaftloop.report.quantities import show
from shaftloop.report.sensors.verdict import verdict
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.studies.sensor_choice import JudgedSensor

__all__ = ["FILE", "details", "document", "verdict"]

FILE = "sensors.json"

_UNASKED = "no frequency of interest is stated"


def document(results: SensorsAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    demand = results.demand
    return {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "demand": {
            "uncertainty": number(demand.uncertainty, "1", "not asked for"),
            "peak": number(demand.peak, "N m", "from a run of the sequence with each candidate"),
            "bandwidth": number(demand.bandwidth, "Hz", _UNASKED),
            "tolerance": number(demand.tolerance, "1"),
        },
        "candidates": [_candidate(entry) for entry in results.judged],
        "warnings": list(results.scenario.warnings),
    }


def details(results: SensorsAnswer) -> Iterator[Piece]:
    """Yield the tables and lines that say what was found."""
    title = f"{results.scenario.description.title}: torque sensors"
    table = new_table(title, "part", "rated", "U", "peak", "serves", "because")
    for entry in results.judged:
        sensor = entry.candidate.sensor
        add_row(
            table,
            entry.candidate.file,
            show(sensor.rated, "N m", 3),
            _uncertainty(entry),
            "-" if entry.peak is None else show(entry.peak, "N m", 3),
            _verdict(entry),
            "; ".join(entry.reasons) or f"mostly {entry.main_component}",
        )
    yield table
    standing = [entry for entry in results.judged if entry.serves is not False]
    if not standing:
        yield "None of them serves."
    elif results.demand.uncertainty is None:
        yield "Whether a sensor is certain enough is not judged; say what is needed: `require` '0.5 %'"
    for entry in standing:
        if entry.lacks:
            yield f"{entry.candidate.file}: no data of {_effects(entry.lacks)}: its U may be larger (≥)"
    lacks = {text for entry in results.judged for text in entry.lacks}
    shared = {text.partition(" (")[0] for entry in standing for text in entry.left_out if text not in lacks}
    if shared:
        yield f"No data for any of them: {_effects(sorted(shared))}; all U may be larger"


def _uncertainty(entry: JudgedSensor) -> str:
    """Return the uncertainty, marked where data are missing that others state."""
    if entry.uncertainty is None:
        return "not known"
    return f"{'≥ ' if entry.lacks else ''}{100.0 * entry.uncertainty:.2g} %"


def _verdict(entry: JudgedSensor) -> str:
    if entry.serves is None:
        return "not judged"
    return "no" if not entry.serves else "as far as stated" if entry.lacks else "yes"


def _effects(left_out: Iterable[str]) -> str:
    return ", ".join(text.removeprefix("torque: ") for text in left_out)


def _candidate(entry: JudgedSensor) -> dict[str, Any]:
    sensor = entry.candidate.sensor
    return {
        "part": entry.candidate.file,
        "serves": entry.serves,
        "reasons": list(entry.reasons),
        "rated": number(sensor.rated, "N m"),
        "limit": number(sensor.limit, "N m", "not stated"),
        "cutoff": number(sensor.filter.cutoff if sensor.filter else None, "Hz", "no low-pass"),
        "sampling": number(float(sensor.sampling), "Hz"),
        "relative_expanded_uncertainty": number(
            entry.uncertainty, "1", "no torque at any point, or no error stated"
        ),
        "main_component": entry.main_component,
        "peak": number(entry.peak, "N m", "the sequence cannot be run with it"),
        "amplitude_share": number(entry.share, "1", _UNASKED),
        "folded_share": number(entry.folded, "1", _UNASKED),
        "left_out": list(entry.left_out),
        "left_out_unlike_others": list(entry.lacks),
    }
