"""The figures of a loop that have names: where each comes from, its unit, and what it means to have none."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from shaftloop.analysis.worstcase import LoopAnalysis, MapPoint

__all__ = ["LOOP_FIGURES", "MAP_FIGURES", "MODE_FIGURES", "Figure", "loop_figures", "map_figures"]

Side = Literal["", "above", "below"]
Found = tuple[float | None, str, Side]
"""Value, why there is none, and on which side of every bound it then lies."""

_NO_POINT = "no point of the operating range has one"
_NO_CROSSOVER = "|L| never crosses 1"


@dataclass(frozen=True)
class Figure:
    """A figure with a name."""

    unit: str
    meaning: str
    missing: str = ""
    """Why there is no value where there is none."""
    beyond: Side = ""
    """Side of every bound on which it lies where it has no value."""
    of_unstable: bool = False
    """Whether it says anything about a bench that is unstable."""


LOOP_FIGURES = {
    "stable": Figure("1", "1 where the bench is stable at the operating point, else 0", of_unstable=True),
    "largest_eigenvalue": Figure(
        "1", "largest eigenvalue of the map over a hyperperiod, all loops closed", of_unstable=True
    ),
    "gain_margin": Figure(
        "1",
        "smallest factor above 1 on the gain that makes the bench unstable",
        "no factor up to 1000 makes the bench unstable",
        "above",
    ),
    "gain_margin_down": Figure(
        "1",
        "largest factor below 1 on the gain that makes the bench unstable",
        "no factor down to 1/1000 makes the bench unstable",
        "below",
    ),
    "phase_margin": Figure(
        "deg", "smallest distance of L from -180° at a gain crossover, either way", _NO_CROSSOVER, "above"
    ),
    "delay_margin": Figure("s", "smaller of the delay margins at the reading and at the command"),
    "delay_margin_at_reading": Figure("s", "delay ahead of the sampler that makes the bench unstable"),
    "delay_margin_at_command": Figure("s", "additional output latency that leaves the bench stable"),
    "ms": Figure("1", "largest sensitivity |1/(1 + L)|"),
    "mt": Figure("1", "largest |L/(1 + L)|"),
    "crossover": Figure("Hz", "highest frequency at which |L| is 1", _NO_CROSSOVER),
    "bandwidth": Figure(
        "Hz",
        "frequency at which |L/(1 + L)| has fallen 3 dB below its low-frequency value",
        "|L/(1 + L)| never falls 3 dB",
    ),
    "rejection": Figure(
        "Hz",
        "frequency up to which disturbances are at least halved",
        "disturbances are halved nowhere, or everywhere",
    ),
    "noise_gain": Figure("1", "rms of the controlled quantity per rms of white noise on the samples"),
    "step_overshoot": Figure("%", "overshoot of a small step of the set-point, of its height"),
    "step_settling_time": Figure("s", "last exit from ±2 % of a small step of the set-point"),
}
"""Of a loop at the operating point of the sequence."""

MAP_FIGURES = {
    "stable": Figure("1", "1 where the bench is stable all over its operating range, else 0"),
    "gain_margin": Figure("1", "smallest gain margin over the operating range", _NO_POINT, "above"),
    "phase_margin": Figure("deg", "smallest phase margin over the operating range", _NO_POINT, "above"),
    "ms": Figure("1", "largest sensitivity over the operating range"),
}
"""Of a loop over the operating range of the sequence."""

MODE_FIGURES = {
    "frequency": Figure("Hz", "natural frequency"),
    "damping_ratio": Figure("1", "damping ratio"),
}
"""Of a mode of the line."""


def loop_figures(analysis: "LoopAnalysis", names: Sequence[str]) -> dict[str, Found]:
    """Return figures of a loop: value, why there is none, and on which side of every bound it then lies.

    Parameters
    ----------
    analysis : LoopAnalysis
        The loop at its operating point.
    names : sequence of str
        Those of `LOOP_FIGURES` that are wanted; others are left out.
    """
    found: dict[str, Found] = {}
    unstable = f"the bench is unstable (largest eigenvalue {analysis.margins.largest_eigenvalue:.6f})"
    for name in names:
        entry = LOOP_FIGURES.get(name)
        if entry is None or name in found:
            continue
        if not analysis.margins.stable and not entry.of_unstable:
            found[name] = (None, unstable, "")
        elif name in _COSTLY:
            found |= _COSTLY[name](analysis)
        else:
            found[name] = _found(getattr(analysis.margins, name), entry)
    return found


def map_figures(points: "Sequence[MapPoint]", loop: str) -> dict[str, Found]:
    """Return the worst figures of a loop over its operating range; points that it cannot hold do not count.

    Parameters
    ----------
    points : sequence of MapPoint
        From `operating_map`.
    loop : str
        Its name.
    """
    from shaftloop.analysis.worstcase import worst_cases

    held = [point for point in points if loop in point.margins]
    if not held:
        return dict.fromkeys(MAP_FIGURES, (None, "the bench can hold no point of its operating range", ""))
    unstable = next((point for point in held if not point.margins[loop].stable), None)
    if unstable is not None:
        speed = unstable.speed * 30.0 / math.pi
        reason = f"the bench is unstable at {speed:.4g} rpm and {unstable.torque:.4g} N m"
        lost: dict[str, Found] = dict.fromkeys(MAP_FIGURES, (None, reason, ""))
        return lost | {"stable": (0.0, "", "")}
    figures = {
        worst.figure: _found(worst.value, MAP_FIGURES[worst.figure]) for worst in worst_cases(points, loop)
    }
    return figures | {"stable": (1.0, "", "")}


def _found(value: float | None, entry: Figure) -> Found:
    return (None, entry.missing, entry.beyond) if value is None else (float(value), "", "")


def _delay(analysis: "LoopAnalysis") -> dict[str, Found]:
    from shaftloop.analysis.delay import delay_margin

    delay = delay_margin(analysis.description, analysis.margins)
    paths = {
        "delay_margin": delay.smaller_first()[0][1],
        "delay_margin_at_reading": delay.reading,
        "delay_margin_at_command": delay.command,
    }
    return {name: (path.value, path.reason, "above" if path.endless else "") for name, path in paths.items()}


def _step(analysis: "LoopAnalysis") -> dict[str, Found]:
    from shaftloop.analysis.stepresponse import step_response

    margins = analysis.margins
    loop = analysis.bench.bench.loops[margins.loop]
    step = step_response(analysis.bench, loop, margins.point, analysis.state, margins.largest_eigenvalue)
    reason = "it does not settle in the time looked at"
    return {
        name: (None, reason, "") if value is None else (value, "", "")
        for name, value in (("step_overshoot", step.overshoot), ("step_settling_time", step.settling_time))
    }


_COSTLY: dict[str, Callable[["LoopAnalysis"], dict[str, Found]]] = {
    "delay_margin": _delay,
    "delay_margin_at_reading": _delay,
    "delay_margin_at_command": _delay,
    "step_overshoot": _step,
    "step_settling_time": _step,
}
"""What takes further runs of the bench."""
