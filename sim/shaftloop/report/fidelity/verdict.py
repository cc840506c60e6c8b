"""The answer about the torque reading in words."""

import math

from shaftloop.analysis.fidelity.bands import Band
from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.answers.fidelity import FidelityAnswer, TorqueAt
from shaftloop.report.quantities import show

__all__ = ["bands", "verdict"]


def verdict(answer: FidelityAnswer) -> list[str]:
    """Return how far the reading is from the truth, in at most three sentences."""
    found, figures = answer.found, answer.figures
    first = bands(found)
    if found.closed is None:
        first = (
            f"The bench is unstable with its loops closed: mend that first. With their commands held: {first}"
        )
    first += _limited(_end(found, "mechanical"), _end(found, "signal"))
    late, bias = (figures[name].value or 0.0 for name in ("reading_delay", "drag_bias"))
    inertia = f"{show(figures['inertia_bias'].value or 0.0, 'N m', 3)} off by inertia in the steepest ramp"
    first = ". ".join([first, *(_at(entry) for entry in answer.at)])
    said = [f"{first}."]
    if found.point.speed or found.point.torque:
        drag = f"{show(bias, 'N m', 3)} off by drag at the operating speed"
        said.append(f"It is {show(late, 's', 3)} late, {drag} and {inertia}.")
    else:
        said.append(
            f"It is {show(late, 's', 3)} late and {inertia}; at rest with 0 N m what grows with torque or "
            "speed (gain, nonlinearity, drag) shows nothing, a point under load does."
        )
    notes = answer.folds
    said.append(
        f"Sampling folds: {notes[0]}."
        if notes
        else f"No known ripple of {found.unit} is folded into the torque loop."
    )
    return said


def bands(found: Fidelity) -> str:
    """Return up to which frequencies the reading follows the torque, in words."""
    ends = ", ".join(f"{band.level} {_reach(band)}" for band in found.bands["total"])
    return f"The reading of {found.sensor.name} follows the torque of {found.unit} within {ends}"


def _end(found: Fidelity, part: str) -> float:
    """Return where the band of 5 % of a part of the way ends: 0 where it is nowhere, infinite without end."""
    (band,) = (band for band in found.bands[part] if band.level == "5 %")
    if not band.exists:
        return 0.0
    return math.inf if band.high is None else band.high


def _limited(mechanics: float, signal: float) -> str:
    """Return what ends the band of 5 % first."""
    if mechanics == signal == 0.0:
        return "; mechanics and signal path limit it, each alone"
    if mechanics < signal:
        return "; the mechanics limit it: line and inertia ahead of the sensor would move it"
    if signal < math.inf:
        return "; the signal path limits it: cutoff and sampling rate would move it"
    return ""


def _at(entry: TorqueAt) -> str:
    when = f"{abs(entry.phase):.3g}° {'late' if entry.phase < 0.0 else 'early'}"
    return f"At {entry.frequency:.6g} Hz a torque of 1 % reads as {entry.amplitude:.4g} %, {when}"


def _reach(band: Band) -> str:
    if not band.exists:
        return "nowhere"
    if band.high is None:
        return "over all that was looked at" if band.low is None else f"from {band.low:.3g} Hz"
    return f"up to {band.high:.4g} Hz" if band.low is None else f"from {band.low:.3g} to {band.high:.4g} Hz"
