"""The figures of a loop that have names: where each comes from, its unit, and what it means to have none."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from shaftloop.figures import Figure, by_name

if TYPE_CHECKING:
    from shaftloop.analysis.delay import DelayMargin
    from shaftloop.analysis.modes import Mode
    from shaftloop.analysis.stepresponse import StepResponse
    from shaftloop.analysis.worstcase import LoopAnalysis, MapPoint

__all__ = [
    "LOOP_FIGURES",
    "MAP_FIGURES",
    "MODE_FIGURES",
    "loop_figures",
    "map_figures",
    "mode_figure",
    "mode_figures",
]

_NO_POINT = "no point of the operating range has one"
_NO_CROSSOVER = "|L| never crosses 1"
_UNSETTLED = "it does not settle in the time looked at"

LOOP_FIGURES = by_name(
    [
        Figure("stable", "1", "1 where the bench is stable at the operating point, else 0", better="higher"),
        Figure(
            "largest_eigenvalue",
            "1",
            "largest eigenvalue of the map over a hyperperiod, all loops closed",
            better="lower",
        ),
        Figure(
            "gain_margin",
            "1",
            "smallest factor above 1 on the gain that makes the bench unstable",
            reason="no factor up to 1000 makes the bench unstable",
            better="higher",
            beyond="above",
        ),
        Figure(
            "gain_margin_down",
            "1",
            "largest factor below 1 on the gain that makes the bench unstable",
            reason="no factor down to 1/1000 makes the bench unstable",
            better="lower",
            beyond="below",
        ),
        Figure(
            "phase_margin",
            "deg",
            "smallest distance of L from -180° at a gain crossover, either way",
            reason=_NO_CROSSOVER,
            better="higher",
            beyond="above",
        ),
        Figure(
            "delay_margin",
            "s",
            "smaller of the delay margins at the reading and at the command",
            better="higher",
        ),
        Figure(
            "delay_margin_at_reading",
            "s",
            "delay ahead of the sampler that makes the bench unstable",
            better="higher",
        ),
        Figure(
            "delay_margin_at_command",
            "s",
            "additional output latency that leaves the bench stable",
            better="higher",
        ),
        Figure("ms", "1", "largest sensitivity |S| at the frequency that goes in", better="lower"),
        Figure(
            "worst_amplification",
            "1",
            "largest amplification of a frequency and its images, ms with one tick per hyperperiod",
            better="lower",
        ),
        Figure("mt", "1", "largest |1 - S|", better="lower"),
        Figure("crossover", "Hz", "highest frequency at which |L| is 1", reason=_NO_CROSSOVER),
        Figure(
            "bandwidth",
            "Hz",
            "frequency at which |1 - S| has fallen 3 dB below its low-frequency value",
            reason="|1 - S| never falls 3 dB",
            better="higher",
        ),
        Figure(
            "rejection",
            "Hz",
            "frequency up to which disturbances are at least halved",
            reason="disturbances are halved nowhere, or everywhere",
            better="higher",
        ),
        Figure(
            "noise_gain",
            "1",
            "rms of the controlled quantity per rms of white noise on the samples",
            better="lower",
        ),
        Figure(
            "step_overshoot",
            "%",
            "overshoot of a small step of the set-point, of its height",
            reason=_UNSETTLED,
            better="lower",
        ),
        Figure(
            "step_settling_time",
            "s",
            "last exit from ±2 % of a small step of the set-point",
            reason=_UNSETTLED,
            better="lower",
        ),
    ]
)
"""Of a loop at the operating point of the sequence."""

_OF_UNSTABLE = ("stable", "largest_eigenvalue")
"""Those that say something about a bench that is unstable."""

MAP_FIGURES = by_name(
    [
        Figure(
            "stable", "1", "1 where the bench is stable all over its operating range, else 0", better="higher"
        ),
        Figure(
            "gain_margin",
            "1",
            "smallest gain margin over the operating range",
            reason=_NO_POINT,
            better="higher",
            beyond="above",
        ),
        Figure(
            "phase_margin",
            "deg",
            "smallest phase margin over the operating range",
            reason=_NO_POINT,
            better="higher",
            beyond="above",
        ),
        Figure("ms", "1", "largest sensitivity over the operating range", better="lower"),
    ]
)
"""Of a loop over the operating range of the sequence."""

MODE_FIGURES = by_name(
    [
        Figure("frequency", "Hz", "natural frequency"),
        Figure("damping_ratio", "1", "damping ratio", better="higher"),
    ]
)
"""Of a mode of the line."""


def loop_figures(
    analysis: "LoopAnalysis",
    names: Sequence[str],
    delay: "DelayMargin | None" = None,
    step: "StepResponse | None" = None,
) -> dict[str, Figure]:
    """Return those figures of a loop that are wanted of `LOOP_FIGURES`, others are left out.

    Delay margin and step of the loop are looked for where they are not known already.
    """
    from shaftloop.analysis.delay import delay_margin

    found: dict[str, Figure] = {}
    unstable = f"the bench is unstable (largest eigenvalue {analysis.margins.largest_eigenvalue:.6f})"
    for name in names:
        entry = LOOP_FIGURES.get(name)
        if entry is None or name in found:
            continue
        if not analysis.margins.stable and name not in _OF_UNSTABLE:
            found[name] = entry.absent(unstable)
        elif name.startswith("delay_margin"):
            found |= _delay(delay or delay_margin(analysis.description, analysis.margins, analysis.known))
        elif name.startswith("step_"):
            found |= _step(step or analysis.small_step())
        else:
            found[name] = entry.found(getattr(analysis.margins, name))
    return found


def map_figures(points: "Sequence[MapPoint]", loop: str) -> dict[str, Figure]:
    """Return the worst figures of a loop over its operating range; points it cannot hold do not count."""
    from shaftloop.analysis.worstcase import worst_cases

    held = [point for point in points if loop in point.margins]
    if not held:
        return _lost("the bench can hold no point of its operating range")
    unstable = next((point for point in held if not point.margins[loop].stable), None)
    if unstable is not None:
        speed = unstable.speed * 30.0 / math.pi
        reason = f"the bench is unstable at {speed:.4g} rpm and {unstable.torque:.4g} N m"
        return _lost(reason) | {"stable": MAP_FIGURES["stable"].found(0.0)}
    figures = {
        worst.figure: MAP_FIGURES[worst.figure].found(worst.value) for worst in worst_cases(points, loop)
    }
    return figures | {"stable": MAP_FIGURES["stable"].found(1.0)}


def _lost(reason: str) -> dict[str, Figure]:
    return {name: entry.absent(reason) for name, entry in MAP_FIGURES.items()}


def mode_figures(modes: "Sequence[Mode]") -> dict[str, Figure]:
    """Return the figures of the modes of a line, e.g. ``1.frequency``."""
    return {
        f"{number}.{name}": mode_figure(name, number).found(getattr(mode, name))
        for number, mode in enumerate(modes, 1)
        for name in MODE_FIGURES
    }


def mode_figure(name: str, number: int) -> Figure:
    """Return one of `MODE_FIGURES` of a mode, numbered from 1, not looked for yet."""
    entry = MODE_FIGURES[name]
    meaning = f"{entry.meaning} of mode {number} of the line"
    return replace(entry, meaning=meaning, group=f"mode {number}")


def _delay(found: "DelayMargin") -> dict[str, Figure]:
    paths = {
        "delay_margin": found.smaller_first()[0][1],
        "delay_margin_at_reading": found.reading,
        "delay_margin_at_command": found.command,
    }
    return {
        name: replace(LOOP_FIGURES[name], reason=path.reason, beyond="above" if path.endless else "").found(
            path.value
        )
        for name, path in paths.items()
    }


def _step(found: "StepResponse") -> dict[str, Figure]:
    values = {"step_overshoot": found.overshoot, "step_settling_time": found.settling_time}
    return {name: LOOP_FIGURES[name].found(value) for name, value in values.items()}
