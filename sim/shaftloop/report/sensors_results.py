"""What `shaftloop sensors` found: as a document and on the terminal."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shaftloop.analysis.sensor_choice import Demand, Judged
from shaftloop.figures import number
from shaftloop.report.documents import identity, origin
from shaftloop.report.quantities import show
from shaftloop.report.terminal import add_row, console, new_table, print_line, show_files
from shaftloop.scenario.reading import Scenario

__all__ = ["SensorsResults", "sensors_document", "show_sensors"]

_UNASKED = "no frequency of interest is stated"


@dataclass(frozen=True)
class SensorsResults:
    """Judged candidates."""

    scenario: Scenario
    demand: Demand
    judged: tuple[Judged, ...]


def sensors_document(results: SensorsResults) -> dict[str, Any]:
    """Return the JSON document.

    Parameters
    ----------
    results : SensorsResults
        What was found.
    """
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


def show_sensors(results: SensorsResults, files: Sequence[Path]) -> None:
    """Print the table of candidates.

    Parameters
    ----------
    results : SensorsResults
        What was found.
    files : sequence of Path
        Files that were written.
    """
    title = f"{results.scenario.description.title}: torque sensors"
    table = new_table(title, "part", "rated", "U", "peak", "serves", "because")
    for entry in results.judged:
        sensor = entry.candidate.sensor
        good = f"mostly {entry.main_component}"
        add_row(
            table,
            entry.candidate.file,
            show(sensor.rated, "N m", 3),
            "-" if entry.uncertainty is None else f"{100.0 * entry.uncertainty:.2g} %",
            "-" if entry.peak is None else show(entry.peak, "N m", 3),
            "yes" if entry.serves else "no",
            good if entry.serves else "; ".join(entry.reasons),
        )
    console().print(table)
    for entry in results.judged:
        if entry.serves and entry.left_out:
            effects = ", ".join(text.removeprefix("torque: ") for text in entry.left_out)
            print_line(f"{entry.candidate.file}: no data of {effects}; its U may be larger")
    if not any(entry.serves for entry in results.judged):
        print_line("None of them serves.")
    show_files(files)


def _candidate(entry: Judged) -> dict[str, Any]:
    sensor = entry.candidate.sensor
    return {
        "part": entry.candidate.file,
        "serves": entry.serves,
        "reasons": list(entry.reasons),
        "rated": number(sensor.rated, "N m"),
        "limit": number(sensor.limit, "N m", "not stated"),
        "cutoff": number(sensor.filter.cutoff if sensor.filter else None, "Hz", "no low-pass"),
        "sampling": number(float(sensor.sampling), "Hz"),
        "relative_expanded_uncertainty": number(entry.uncertainty, "1", "no torque at any point"),
        "main_component": entry.main_component,
        "peak": number(entry.peak, "N m", "the sequence cannot be run with it"),
        "amplitude_share": number(entry.share, "1", _UNASKED),
        "folded_share": number(entry.folded, "1", _UNASKED),
        "left_out": list(entry.left_out),
    }
