"""A run with all that was found in it: as a document and as a folder of files."""

from typing import Any

from shaftloop.analysis.overlay import Overlay
from shaftloop.analysis.ratings import Held, Load, held, loads
from shaftloop.analysis.simulation import Simulation
from shaftloop.analysis.verify import Verification
from shaftloop.answers.run import RunAnswer
from shaftloop.engine.events import Event
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import identity, origin, text
from shaftloop.report.files import Outputs
from shaftloop.report.logs import log_document
from shaftloop.report.run.heat import duty_document
from shaftloop.report.run.tables import details, end_caution
from shaftloop.report.run.timeline import timeline_document, timeline_picture
from shaftloop.report.run.traces import write_traces
from shaftloop.report.run.verdict import finding, verdict
from shaftloop.scenario.reading import Scenario

__all__ = ["FILE", "details", "document", "pictures", "verdict", "write_more"]

FILE = "metrics.json"


def document(results: RunAnswer) -> dict[str, Any]:
    """Return the result of `shaftloop simulate`."""
    scenario = results.scenario
    document = {
        "scenario": identity(scenario),
        "provenance": _provenance(scenario, results.simulation),
        "metrics": {name: figure.document() for name, figure in results.metrics.items()},
        "ratings": [_load(load) for load in loads(results.simulation)],
        "limits": [_held(entry) for entry in held(results.simulation)],
        "at_end": _at_end(results),
        "events": [_event(event) for event in results.simulation.events],
        "timeline": timeline_document(results),
        "warnings": list(results.warnings),
    }
    if results.simulation.duty is not None:
        document["duty"] = duty_document(results.simulation.duty)
    if results.verification is not None:
        document["verify"] = _verification(results.verification)
    if results.overlay is not None:
        document["overlay"] = _overlay(results.overlay)
    return document


def pictures(results: RunAnswer) -> list[Picture]:
    """Return what can be drawn."""
    from shaftloop.analysis.flow import energy_flow
    from shaftloop.report.run.energy import energy_picture
    from shaftloop.report.run.heat import heat_picture
    from shaftloop.report.run.link import link_picture
    from shaftloop.report.run.overangle import over_angle_picture
    from shaftloop.report.run.overlay import overlay_picture
    from shaftloop.report.run.overview import overview_picture
    from shaftloop.report.run.position import position_picture
    from shaftloop.report.run.saturation import saturation_picture

    simulation, subject = results.simulation, results.title
    drawn = [
        overview_picture(simulation, finding(results), subject),
        energy_picture(energy_flow(simulation), subject),
    ]
    further = (
        heat_picture(results),
        link_picture(results),
        over_angle_picture(results),
        saturation_picture(results),
        position_picture(results),
        timeline_picture(results, finding(results)),
    )
    drawn += [picture for picture in further if picture is not None]
    if results.overlay is not None:
        drawn.append(overlay_picture(simulation, results.overlay, subject))
    return drawn


def write_more(out: Outputs, results: RunAnswer) -> None:
    """Write the traces."""
    write_traces(out.file("traces.npz"), results.simulation)


def _provenance(scenario: Scenario, simulation: Simulation) -> dict[str, Any]:
    """Return what the result of a run came from."""
    speed = simulation.duration / simulation.wall_time if simulation.wall_time > 0.0 else None
    return origin(scenario) | {
        "method": simulation.method,
        "step": number(simulation.step, "s"),
        "duration": number(simulation.duration, "s"),
        "wall_time": number(simulation.wall_time, "s"),
        "times_real_time": number(speed, "1"),
    }


def _load(load: Load) -> dict[str, Any]:
    beyond = {"beyond_rating": load.beyond_rating, "beyond_limit": load.beyond_limit}
    return load.document() | beyond


def _held(entry: Held) -> dict[str, Any]:
    never = "it never held its owner back"
    return {
        "of": entry.owner,
        "limit": entry.limit,
        "allowed": number(entry.allowed, entry.unit),
        "largest": number(entry.peak, entry.unit),
        "from_below": entry.below,
        "share_of_time": number(entry.share, "1"),
        "first": number(entry.first, "s", never),
        "last": number(entry.last, "s", never),
    }


def _at_end(results: RunAnswer) -> dict[str, Any]:
    left = {
        name.removeprefix("at_end."): figure.document()
        for name, figure in results.metrics.items()
        if name.startswith("at_end.")
    }
    return {**left, "caution": end_caution(results)}


def _event(event: Event) -> dict[str, Any]:
    return {"time": number(event.time, "s"), "kind": event.kind, "name": event.name, "count": event.count}


def _verification(verification: Verification) -> dict[str, Any]:
    changes = {
        name: {
            "change": number(entry.change, entry.unit, entry.reason),
            "relative": number(entry.relative, "1", entry.reason),
        }
        for name, entry in verification.changes.items()
    }
    largest = verification.largest
    return {
        "factor": verification.factor,
        "step": number(verification.step, "s"),
        "largest": None if largest is None else {"metric": largest[0], "relative": number(largest[1], "1")},
        "metrics": changes,
    }


def _overlay(overlay: Overlay) -> dict[str, Any]:
    channels = {}
    measured = overlay.measurement
    for name, entry in overlay.channels.items():
        largest, at = entry.worst
        channels[name] = {
            "mean": number(entry.mean, entry.unit),
            "rms": number(entry.rms, entry.unit),
            "max": number(largest, entry.unit) | {"at": number(at, "s")},
            "points": len(entry.time),
        }
    return {
        "file": text(overlay.file),
        "offset": number(overlay.offset, "s"),
        "difference": "simulated minus measured",
        "channels": channels,
        "left_out": list(overlay.left_out),
        "log": log_document(measured.table.log, measured.table.columns, measured.findings),
    }
