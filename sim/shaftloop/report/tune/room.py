"""What `shaftloop tune` found: as a document and as a folder of files."""

from typing import Any

from shaftloop.answers.tuning import TuneAnswer
from shaftloop.control.parameters import UNIT_OF
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.check.document import verdict_document
from shaftloop.report.check.words import verdict_words
from shaftloop.report.documents import identity, origin
from shaftloop.report.tune.forms import gain_forms, shape_text
from shaftloop.report.tune.tables import details
from shaftloop.report.tune.verdict import verdict
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.proof import Compared
from shaftloop.studies.tuning.rattle import Rattle
from shaftloop.studies.tuning.results import Baseline, Design, LoopTuning, Option

__all__ = ["FILE", "details", "document", "pictures", "verdict"]

FILE = "tune.json"

_UNSETTLED = "it does not settle in the time looked at"


def document(results: TuneAnswer) -> dict[str, Any]:
    """Return the JSON document; of a single loop its entries stand at the top."""
    tuning = results.tuning
    document: dict[str, Any] = {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
        "objective": tuning.objective,
        "recommended": tuning.recommended,
        "verdict": results.verdict,
        "feasible": tuning.feasible,
        "tolerances": list(results.tolerances),
        "corners": list(tuning.corners),
        "expectations": [verdict_document(verdict) for verdict in tuning.verdicts],
        "backlash": None if tuning.rattle is None else _backlash(tuning.rattle),
    }
    loops = {name: _loop(results, entry) for name, entry in tuning.loops.items()}
    if len(loops) == 1:
        document |= {"loop": next(iter(loops)), **next(iter(loops.values()))}
    else:
        document |= {"sweeps": tuning.sweeps, "loops": loops}
    return document | {"warnings": list(results.warnings)}


def pictures(results: TuneAnswer) -> list[Picture]:
    """Return what can be drawn."""
    from shaftloop.report.tune.pictures import proof_picture, tuning_picture

    drawn = []
    for entry in results.tuning.loops.values():
        drawn.append(tuning_picture(entry, results.tuning.objective, results.title))
        if entry.proof is not None:
            drawn.append(proof_picture(entry, results.title))
    return drawn


def _loop(results: TuneAnswer, entry: LoopTuning) -> dict[str, Any]:
    design = entry.chosen.design
    assert design is not None, "the chosen option has a design"
    bounds, proof = entry.bounds, entry.proof
    unit = design.loop.kp.unit
    document: dict[str, Any] = {
        "feasible": entry.feasible,
        "structure": entry.chosen.name,
        "gains": _gains(results, design),
        **_figures(design),
        "bounds": {
            "ms": number(bounds.ms, "1"),
            "mt": number(bounds.mt, "1"),
            "noise_gain": number(bounds.noise_gain, unit, "not asked for"),
            "command_noise": number(bounds.command_noise, design.loop.unit, "not asked for"),
            "bandwidth": number(bounds.bandwidth, "Hz", "not asked for"),
            "mode_damping": number(_every(results.demand), "1", "not asked of every mode"),
            "mode_dampings": [number(least, "1", "not asked for") for least in bounds.mode_damping],
            "command": number(bounds.command, design.loop.unit, "the sequence has no step, or it may clamp"),
        },
        "binding": list(entry.binding),
        "nearest": entry.nearest or None,
        "ways": list(entry.ways),
        "before": None if entry.before is None else _gains(results, entry.before) | _figures(entry.before),
        "baselines": [_baseline(item) for item in entry.baselines],
        "structures": [_option(results, option) for option in entry.options],
        "predicted": None if proof is None else {row.name: _row(row, row.predicted) for row in proof.rows},
        "simulated": None if proof is None else {row.name: _row(row, row.simulated) for row in proof.rows},
        "differences": None
        if proof is None
        else {row.name: row.explanation for row in proof.rows if row.different},
    }
    if proof is None:
        document["proof_reason"] = entry.unproven
    return document


def _backlash(found: Rattle) -> dict[str, Any]:
    return {
        "parts": list(found.parts),
        "swing": number(found.swing, "N m", "the bench diverges"),
        "swing_without": number(found.closed, "N m", "not run: the swing is allowed, or the bench diverges"),
        "swing_allowed": number(found.allowed, "N m"),
        "frequency": number(found.frequency, "Hz"),
        "dies_out": found.dying,
    }


def _every(demand: TuningDemand) -> float | None:
    """Return the damping ratio that is asked of every mode."""
    plain = [wish.least for wish in demand.mode_damping if wish.number is None and wish.band is None]
    return max(plain, default=None)


def _gains(results: TuneAnswer, design: Design) -> dict[str, Any]:
    forms = gain_forms(results.tuning.description, design.loop)
    gains: dict[str, Any] = {
        form.name: number(form.value, form.unit, "ki is 0") | {"meaning": form.meaning} for form in forms
    }
    shape = shape_text(design.loop)
    return gains | {"besides": shape} if shape else gains


def _figures(design: Design) -> dict[str, Any]:
    margins, worst, unit = design.analysis.margins, design.figures, design.loop.kp.unit
    quantity = UNIT_OF[margins.quantity]
    return {
        "stable": margins.stable,
        "ms": number(worst.ms.value, "1") | _place(worst.ms.frequency, worst.ms.label),
        "mt": number(worst.mt.value, "1") | _place(worst.mt.frequency, worst.mt.label),
        "nominal": {"ms": number(margins.ms, "1"), "mt": number(margins.mt, "1")},
        "noise_gain": number(worst.noise_gain, unit),
        "command_noise": {name: number(size, design.loop.unit) for name, size in worst.command_noise.items()},
        "integral_gain": number(worst.integral_gain, design.loop.ki.unit),
        "error_area": number(design.error_area, f"{quantity} s/({design.loop.unit})"),
        "bandwidth": number(margins.bandwidth, "Hz", "|T| never falls 3 dB below its low-frequency value"),
        "rejection": number(margins.rejection, "Hz", "disturbances are halved nowhere, or everywhere"),
        "settling_time": number(design.step.settling_time, "s", _UNSETTLED),
        "overshoot": number(design.step.overshoot, "%", _UNSETTLED),
        "modes": [
            {
                "free_frequency": number(mode.free_frequency, "Hz"),
                "free_damping": number(mode.free_damping, "1"),
                "frequency": number(mode.frequency, "Hz"),
                "damping": number(mode.damping, "1"),
                "corner": mode.corner,
            }
            for mode in worst.modes
        ],
    }


def _place(frequency: float, label: str) -> dict[str, Any]:
    return {"at": number(frequency, "Hz"), "corner": label}


def _baseline(item: Baseline) -> dict[str, Any]:
    document: dict[str, Any] = {"rule": item.rule, "source": item.source, "admitted": item.admitted}
    if item.loop is None or item.figures is None:
        return document | {"applies": False, "reason": item.reason}
    unstable = "the loop is unstable"
    document |= {
        "applies": True,
        "kp": number(item.loop.kp.value, item.loop.kp.unit),
        "ki": number(item.loop.ki.value, item.loop.ki.unit),
        "stable": item.figures.stable,
        "ms": number(item.figures.ms.value if item.figures.stable else None, "1", unstable),
        "mt": number(item.figures.mt.value if item.figures.stable else None, "1", unstable),
        "cost": number(item.cost, "1", unstable),
        "integral_gain_factor": number(item.factor, "1", unstable),
    }
    return document | {"reason": item.reason} if item.reason else document


def _option(results: TuneAnswer, option: Option) -> dict[str, Any]:
    document: dict[str, Any] = {"structure": option.name, "title": option.title}
    if option.broken:
        document["broken"] = [verdict_words(verdict) for verdict in option.broken]
    if option.caution:
        document["caution"] = option.caution
    if option.design is None:
        return document | {"reason": option.reason}
    gains = _gains(results, option.design)
    return document | {"cost": number(option.cost, "1"), "gains": gains} | _figures(option.design)


def _row(row: Compared, value: float | None) -> dict[str, Any]:
    return number(value, row.unit, "not reached in the time looked at")
