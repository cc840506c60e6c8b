"""What `shaftloop margins` found: as a document and as a folder of files."""

import cmath
import math
from typing import Any

from shaftloop.analysis.budget import LatencyBudget, Share
from shaftloop.analysis.delay import DelayMargin, PathMargin
from shaftloop.analysis.injection import Measured
from shaftloop.analysis.margins import Margins
from shaftloop.analysis.poles import Pole
from shaftloop.analysis.response import Crossing
from shaftloop.analysis.sineresponse import AtFrequency
from shaftloop.analysis.worstcase import MapPoint, Worst
from shaftloop.answers.margins import LoopAnswer, MarginsAnswer
from shaftloop.control.parameters import UNIT_OF
from shaftloop.figures import number
from shaftloop.report.canvas import Picture
from shaftloop.report.documents import identity, origin
from shaftloop.report.margins.joint import joint_document, joint_sentence
from shaftloop.report.margins.tables import details
from shaftloop.report.margins.verdict import peak, standing, verdict
from shaftloop.studies.vary import Variation

__all__ = ["FILE", "details", "document", "pictures", "verdict"]

FILE = "margins.json"

_NO_UP = "no factor up to 1000 changes stability"
_NO_DOWN = "no factor down to 1/1000 changes stability"
_NO_CROSSOVER = "|L| never crosses 1"


def document(results: MarginsAnswer) -> dict[str, Any]:
    """Return the JSON document."""
    document: dict[str, Any] = {
        "scenario": identity(results.scenario),
        "provenance": origin(results.scenario),
    }
    document["loops"] = {name: _loop(result) for name, result in results.loops.items()}
    if results.points:
        document["map"] = [_point(point) for point in results.points]
    if results.corners:
        document["corners"] = [
            {"corner": corner.label, "loops": {n: _margins(m) for n, m in corner.margins.items()}}
            for corner in results.corners
        ]
    if results.variation is not None:
        document["vary"] = _variation(results.variation)
    if results.joint is not None:
        document["joint"] = joint_document(results.joint)
    document["poles"] = [_pole(pole) for pole in results.poles]
    document["warnings"] = list(results.warnings)
    return document


def pictures(results: MarginsAnswer) -> list[Picture]:
    """Return what can be drawn."""
    from shaftloop.report.margins.bode import bode_picture
    from shaftloop.report.margins.joint import joint_picture
    from shaftloop.report.margins.nyquist import nyquist_picture
    from shaftloop.report.margins.poles import pole_picture
    from shaftloop.report.margins.step import step_picture
    from shaftloop.report.margins.vary import vary_picture

    subject, found = results.title, []
    for name, result in results.loops.items():
        margins = result.margins
        found.append(bode_picture(margins, standing(name, result), subject, result.measured))
        found.append(nyquist_picture(margins, peak(name, margins), subject))
    if results.loopless is not None:
        return [pole_picture(results.poles, results.loopless.hyperperiod, subject)]
    analysis = next(iter(results.loops.values())).analysis
    found.append(pole_picture(results.poles, analysis.bench.hyperperiod, subject))
    found.append(step_picture([result.step for result in results.loops.values()], subject))
    if results.joint is not None and results.joint.stable:
        single = {name: result.margins.ms for name, result in results.loops.items()}
        found.append(joint_picture(results.joint, joint_sentence(results.joint, single), subject))
    if results.variation is not None:
        found.append(vary_picture(results.variation, subject))
    return found


def _at(entry: AtFrequency) -> dict[str, Any]:
    return {
        "frequency": number(entry.frequency, "Hz"),
        "amplitude": number(entry.amplitude, "1"),
        "phase": number(entry.phase, "deg"),
        "left_of_disturbance": number(entry.left, "1"),
    }


def _pole(pole: Pole) -> dict[str, Any]:
    return {
        "frequency": number(pole.frequency, "Hz", "it cannot be told how often it turns in a hyperperiod"),
        "decay_rate": number(pole.rate, "1/s"),
        "eigenvalue": {
            "real": number(pole.eigenvalue.real, "1"),
            "imaginary": number(pole.eigenvalue.imag, "1"),
        },
    }


def _loop(result: LoopAnswer) -> dict[str, Any]:
    margins = result.margins
    document = _margins(margins)
    document |= {
        "delay_margin": _delay(result.delay),
        "hyperperiod": number(margins.hyperperiod, "s"),
        "ticks_per_hyperperiod": margins.ticks,
        "crossings": [_crossing(crossing) for crossing in margins.crossings],
        "operating_point": {
            "speed": number(margins.point.speed, "rad/s"),
            "torque": number(margins.point.torque, "N m"),
        },
        "step_response": {
            "size": number(result.step.size, UNIT_OF[result.step.quantity]),
            "settling_time": number(
                result.step.settling_time, "s", "it does not settle in the time looked at"
            ),
            "overshoot": number(result.step.overshoot, "%", "it does not settle in the time looked at"),
        },
        "budget": None if result.budget is None else _budget(result.budget),
    }
    if result.springs:
        reason = "the bench is unstable as it is, or stable up to 1000 times kp"
        document["stiffest_spring"] = number(result.stiffest, "N m/rad", reason)
    if result.at:
        document["at"] = [_at(entry) for entry in result.at]
    if result.measured is not None:
        document["measured"] = _measured(result.measured)
    if result.budget is None:
        document["budget_reason"] = result.budget_reason
    if result.elsewhere:
        document["worse_elsewhere"] = {worst.figure: _worst(worst) for worst in result.elsewhere}
    if result.analysis.phases:
        document["worst_phases"] = {
            name: number(float(phase), "s") for name, phase in result.analysis.phases.items()
        }
    if result.worst:
        document["worst_case"] = {worst.figure: _worst(worst) for worst in result.worst}
    return document


def _measured(measured: Measured) -> list[dict[str, Any]]:
    """Return the tones of an injection."""
    rows = zip(measured.frequency, measured.response, measured.coherence, measured.spread, strict=True)
    return [
        {
            "frequency": number(float(frequency), "Hz"),
            "gain": number(abs(response), "1"),
            "phase": number(math.degrees(cmath.phase(response)), "deg"),
            "coherence": number(float(coherence), "1"),
            "spread": number(float(spread), "1"),
        }
        for frequency, response, coherence, spread in rows
    ]


def _margins(margins: Margins) -> dict[str, Any]:
    """Return what the figures of a loop have in common, wherever they stand in the document."""
    return {
        "quantity": margins.quantity,
        "stable": margins.stable,
        "speed_is_held": not margins.system.free,
        "margins_of": "a stable loop" if margins.stable else "an unstable loop",
        "largest_eigenvalue": number(margins.largest_eigenvalue, "1"),
        "gain_margin": number(margins.gain_margin, "1", _NO_UP),
        "gain_margin_down": number(margins.gain_margin_down, "1", _NO_DOWN),
        "fundamental_gain_margin": number(
            margins.fundamental_gain_margin, "1", "L crosses -180° nowhere with |L| < 1"
        ),
        "phase_margin": _phase(margins),
        "ms": _ms(margins),
        "worst_amplification": number(margins.worst_amplification, "1")
        | {"at": number(margins.worst_amplification_frequency, "Hz")},
        "mt": number(margins.mt, "1") | {"at": number(margins.mt_frequency, "Hz")},
        "crossover": number(margins.crossover, "Hz", _NO_CROSSOVER),
        "bandwidth": number(margins.bandwidth, "Hz", "|T| never falls 3 dB below its low-frequency value"),
        "rejection": number(margins.rejection, "Hz", "disturbances are halved nowhere, or everywhere"),
        "noise_gain": number(margins.noise_gain, "1"),
    }


def _ms(margins: Margins) -> dict[str, Any]:
    return number(margins.ms, "1") | {"at": number(margins.ms_frequency, "Hz")}


def _phase(margins: Margins) -> dict[str, Any]:
    document = number(margins.phase_margin, "deg", _NO_CROSSOVER)
    if margins.phase_margin is None:
        return document
    return document | {"against": "lead" if margins.against_lead else "lag"}


def _delay(delay: DelayMargin) -> dict[str, Any]:
    where, smaller = delay.smaller_first()[0]
    return _path(smaller) | {
        "at": None if smaller.value is None else where,
        "at_reading": _path(delay.reading),
        "at_command": _path(delay.command),
        "after_sampler": {"plateau": _path(delay.plateau), "edge": _path(delay.edge)},
    }


def _path(margin: PathMargin) -> dict[str, Any]:
    return number(margin.value, "s", margin.reason)


def _crossing(crossing: Crossing) -> dict[str, Any]:
    value = number(crossing.value, "deg" if crossing.kind == "gain" else "1")
    name = "phase_margin" if crossing.kind == "gain" else "gain_margin"
    return {"kind": crossing.kind, "frequency": number(crossing.frequency, "Hz"), name: value}


def _budget(budget: LatencyBudget) -> dict[str, Any]:
    return {
        "crossover": number(budget.frequency, "Hz"),
        "phase": number(budget.phase, "deg"),
        "shares": [_share(share) for share in budget.shares],
    }


def _share(share: Share) -> dict[str, Any]:
    document: dict[str, Any] = {
        "cause": share.cause,
        "phase": number(share.phase, "deg"),
        "delay": number(share.delay, "s"),
    }
    if share.ideal is None:
        return document
    # What is not shown of an ideal bench is not found either: it would take longer than the bench itself.
    ideal = share.ideal
    return document | {
        "if_ideal": {
            "stable": ideal.stable,
            "ms": _ms(ideal),
            "phase_margin": _phase(ideal),
            "crossover": number(ideal.crossover, "Hz", _NO_CROSSOVER),
        }
    }


def _worst(worst: Worst) -> dict[str, Any]:
    unit = "deg" if worst.figure == "phase_margin" else "1"
    document = number(worst.value, unit, "no point of the map has one")
    if worst.point is None:
        return document
    return document | {
        "speed": number(worst.point.speed, "rad/s"),
        "torque": number(worst.point.torque, "N m"),
    }


def _point(point: MapPoint) -> dict[str, Any]:
    document: dict[str, Any] = {
        "speed": number(point.speed, "rad/s"),
        "torque": number(point.torque, "N m"),
        "loops": {name: _margins(margins) for name, margins in point.margins.items()},
    }
    return document if not point.reason else document | {"reason": point.reason}


def _variation(variation: Variation) -> dict[str, Any]:
    unit = variation.range.unit or "1"
    return {
        "path": variation.range.path,
        "values": [number(value, unit) for value in variation.values],
        "loops": {
            name: {
                "points": [_margins(margins) for margins in variation.margins[name]],
                "thresholds": [
                    {
                        "demand": threshold.demand,
                        "kept": number(threshold.kept, unit),
                        "broken": number(threshold.broken, unit),
                    }
                    for threshold in variation.thresholds[name]
                ],
            }
            for name in variation.margins
        },
        "left_out": [{"value": number(value, unit), "reason": why} for value, why in variation.left_out],
    }
