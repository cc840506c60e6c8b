"""Control structures, the simplest first: which parameters each adds, and where their search starts."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product

import numpy as np
from numpy.typing import NDArray

from shaftloop.control.parameters import (
    ActiveDamping,
    DisturbanceObserver,
    Loop,
    Notch,
    Predictor,
    ReadingLowPass,
)
from shaftloop.studies.tuning.family import Family
from shaftloop.studies.tuning.identify import identify
from shaftloop.studies.tuning.plant import LoopPlant, plain_loop
from shaftloop_models.parameters import Delay, Gain
from shaftloop_models.supply import SUPPLY

__all__ = ["HELD", "STRUCTURES", "Structure"]

Array = NDArray[np.float64]
_Found = Callable[[Loop, LoopPlant, dict[str, Loop]], Family | str]

HELD = {
    "pi_two_notches": ("pi", "pi_notch"),
    "active_damping_high_pass": ("pi", "active_damping"),
}
"""What structures hold as a special case, which they must not fall behind; of the others it is PI."""
_MOST_MODES = 4
_LONG = 100.0
"""Lag over delay that stands for an integrating plant in the model of a path."""
_LOWEST = 0.01
"""Cutoff of a high-pass over the lowest shaft mode below which it is as good as none."""
_EDGE = 0.9
"""Share of half the loop's rate up to which filters are placed."""


@dataclass(frozen=True)
class Structure:
    """A control structure."""

    name: str
    title: str
    family: _Found
    """Of a loop on a plant, with what simpler structures found; or why the structure does not apply."""


def _bare(loop: Loop) -> Loop:
    """Return a PI controller on the reading as it comes, its set-point side as it is."""
    return replace(
        plain_loop(loop), ki=loop.ki, feedforward=loop.feedforward, setpoint_filter=loop.setpoint_filter
    )


def _kept(loop: Loop, _: LoopPlant, __: dict[str, Loop]) -> Family:
    return Family(lambda _: loop, ((),), ())


def _pi(loop: Loop, _: LoopPlant, __: dict[str, Loop]) -> Family:
    bare = _bare(loop)
    return Family(lambda _: bare, ((),), ())


def _notch_at(x: Array, half: float) -> Notch | None:
    """Return a notch from the logarithms of frequency and damping ratio, and the depth."""
    frequency = float(np.exp(x[0]))
    damping, depth = float(np.clip(np.exp(x[1]), 0.02, 2.0)), float(np.clip(x[2], 0.0, 0.95))
    if not frequency < _EDGE * half:
        return None
    return Notch("notch", _rounded(frequency), _rounded(damping), round(depth, 3))


def _centres(plant: LoopPlant, half: float) -> list[float]:
    """Return where notches may help: at the shaft modes, and where the response has its peaks [Hz]."""
    modes = plant.modes
    found = [] if modes is None else list(np.abs(modes.poles) / (2.0 * np.pi))
    size = np.abs(plant.response)
    tops = 1 + np.flatnonzero((size[1:-1] > size[:-2]) & (size[1:-1] > size[2:]))
    tops = tops[np.argsort(-size[tops])][:3]
    found += [float(plant.frequency[top]) for top in tops]
    distinct: list[float] = []
    for frequency in sorted(found):
        if frequency < _EDGE * half and (not distinct or frequency > 1.05 * distinct[-1]):
            distinct.append(float(frequency))
    return distinct[:_MOST_MODES]


def _one_notch(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family | str:
    half, bare = 0.5 * float(loop.rate), _bare(loop)
    centres = _centres(plant, half)
    if not centres:
        return "no shaft mode and no peak of the response lies below half the rate of the loop"

    def shape(x: Array) -> Loop | None:
        notch = _notch_at(x, half)
        return None if notch is None else replace(bare, filters=(notch,))

    starts = tuple(
        (float(np.log(f)), float(np.log(damping)), depth)
        for f, damping, depth in product(centres, (0.25, 0.8), (0.05, 0.4))
    )
    return Family(shape, starts, (0.08, 0.5, 0.1))


def _two_notches(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family | str:
    half, bare = 0.5 * float(loop.rate), _bare(loop)
    centres = _centres(plant, half)
    if len(centres) < 2:
        return "fewer than two shaft modes or peaks of the response lie below half the rate of the loop"

    def shape(x: Array) -> Loop | None:
        one, two = _notch_at(x[:3], half), _notch_at(x[3:], half)
        return None if one is None or two is None else replace(bare, filters=(one, two))

    first = (
        [notch for notch in known["pi_notch"].filters if isinstance(notch, Notch)]
        if "pi_notch" in known
        else []
    )
    begin = [(np.log(notch.frequency), np.log(notch.damping), notch.depth) for notch in first]
    begin = begin or [(np.log(centres[0]), np.log(0.5), 0.1)]
    starts = tuple(
        (*map(float, begin[0]), float(np.log(frequency)), float(np.log(damping)), depth)
        for frequency, (damping, depth) in product(centres, ((0.25, 0.2), (0.8, 0.2), (0.5, 0.9)))
    )
    return Family(shape, starts, (0.08, 0.5, 0.1, 0.08, 0.5, 0.1))


def _low_pass(loop: Loop, _: LoopPlant, __: dict[str, Loop]) -> Family:
    half, bare = 0.5 * float(loop.rate), _bare(loop)

    def shape(x: Array) -> Loop | None:
        cutoff = float(np.exp(x[0]))
        if not cutoff < _EDGE * half:
            return None
        low_pass = ReadingLowPass("low_pass", _rounded(cutoff), 1 if x[1] < 1.5 else 2)
        return replace(bare, filters=(low_pass,))

    cutoffs = np.geomspace(0.003 * half, 0.85 * half, 9)
    starts = tuple((float(np.log(cutoff)), float(order)) for cutoff in cutoffs for order in (1, 2))
    return Family(shape, starts, (0.3, 0.0))


def _feedforward(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family:
    del known
    bare, torque, half = _bare(loop), loop.kp.unit == "1", 0.5 * float(loop.rate)

    def shape(x: Array) -> Loop | None:
        cutoff = float(np.exp(x[1]))
        if not 0.0 <= x[0] <= 1.2:
            return None
        return replace(
            bare,
            feedforward=round(float(x[0]), 3),
            setpoint_filter=_rounded(cutoff) if cutoff < _EDGE * half else None,
        )

    shares = (0.0, 0.3, 0.6, 0.9) if torque else (0.0,)
    cutoffs = np.log(half * np.array([2.0, 0.2, 0.06, 0.02, 0.006]))
    starts = tuple((share, float(cutoff)) for share, cutoff in product(shares, cutoffs))
    return Family(shape, starts, (0.1 if torque else 0.0, 0.4), setpoint_only=True)


def _active_damping(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family | str:
    del known
    if isinstance(plant.speeds, str):
        return plant.speeds
    bare, (left, right, size) = _bare(loop), plant.speeds

    def shape(x: Array) -> Loop | None:
        return replace(bare, active_damping=ActiveDamping(_rounded(size * float(np.exp(x[0]))), left, right))

    return Family(shape, tuple((float(np.log(share)),) for share in (0.03, 0.1, 0.3, 1.0)), (0.5,))


def _high_passed_damping(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family | str:
    if isinstance(plant.speeds, str):
        return plant.speeds
    bare, half, (left, right, gain) = _bare(loop), 0.5 * float(loop.rate), plant.speeds
    plain = known["active_damping"].active_damping if "active_damping" in known else None
    gain = 0.3 * gain if plain is None else plain.gain
    mode = float(np.abs(plant.modes.poles[0])) / (2.0 * np.pi) if plant.modes is not None else 0.1 * half

    def shape(x: Array) -> Loop | None:
        cutoff = float(np.exp(x[1]))
        if not _LOWEST * mode <= cutoff < _EDGE * half:
            return None
        return replace(
            bare, active_damping=ActiveDamping(_rounded(float(np.exp(x[0]))), left, right, _rounded(cutoff))
        )

    starts = tuple(
        (float(np.log(gain * times)), float(np.log(mode * part)))
        for times, part in product((1.0, 2.0), (0.03, 0.2, 0.7))
    )
    return Family(shape, starts, (0.4, 0.6))


def _pid(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family | str:
    del known
    bare, half = _bare(loop), 0.5 * float(loop.rate)
    model = identify(plant, bare)
    if model is None:
        return "the phase never reaches -180°, so there is nothing for a derivative to lead"
    unit = {"1": "s", "N m s/rad": "N m s^2/rad", "W/V": "W s/V"}[loop.kp.unit]
    # At the phase crossover of the model the derivative weighs as much as a share of the ultimate gain.
    scale = (1.0 if model.lag == 0.0 else model.lag / model.delay) * model.delay
    scale /= model.gain if np.isfinite(model.gain) and model.lag == 0.0 else model.rate * model.lag
    if model.integrates:
        scale = 1.0 / model.rate

    def shape(x: Array) -> Loop | None:
        kd, cutoff = float(np.exp(x[0])), float(np.exp(x[1]))
        if not cutoff < _EDGE * half:
            return None
        return replace(bare, kd=Gain(_rounded(kd), unit), derivative_cutoff=_rounded(cutoff))

    cutoff = min(1.0 / model.delay, 0.6 * half)
    starts = tuple(
        (float(np.log(scale * share)), float(np.log(own)))
        for share, own in product((0.01, 0.05, 0.2, 0.8), (0.25 * cutoff, cutoff, 0.85 * half))
    )
    return Family(shape, starts, (0.5, 0.4))


def _path(plant: LoopPlant, bare: Loop) -> tuple[Gain, float, float] | str:
    """Return gain, lag and delay that a controller may believe of its path, or why there are none."""
    model = identify(plant, bare)
    if model is None:
        return "the phase never reaches -180°, so the path has no delay to speak of"
    unit = "1" if bare.kp.unit == "1" else "rad/(N m s)"
    lag = model.lag if np.isfinite(model.lag) else _LONG * model.delay
    delay = max(model.delay - 0.5 * plant.period, 0.0)
    return Gain(_rounded(model.rate * lag if lag > 0.0 else model.gain), unit), _rounded(lag), delay


def _lags(lag: float, delay: float) -> tuple[float, ...]:
    """Return the lags that a controller may believe in: the one of the path, and others for its delay [s].

    A soft line answers slower than its delay alone, though its phase at the crossover shows none.
    """
    return (lag, *(delay * times for times in (0.5, 2.0, 8.0)))


def _predictor(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family | str:
    del known
    bare = _bare(loop)
    path = _path(plant, bare)
    if isinstance(path, str):
        return path
    gain, lag, delay = path

    def shape(x: Array) -> Loop | None:
        believed = Delay(Fraction(round(delay * float(np.exp(x[0])) * 1e6), 10**6))
        if not -1.0 <= x[0] <= 0.7:
            return None
        own = replace(gain, value=_rounded(gain.value * float(np.exp(x[1]))))
        return replace(bare, predictor=Predictor(own, _rounded(x[2]), believed))

    lags = _lags(lag, delay)
    starts = tuple((*start, own) for start in ((0.0, 0.0), (-0.3, 0.0), (0.0, -0.4)) for own in lags)
    return Family(shape, starts, (0.15, 0.25, 0.0))


def _observer(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family | str:
    del known
    bare, half = _bare(loop), 0.5 * float(loop.rate)
    path = _path(plant, bare)
    if isinstance(path, str):
        return path
    gain, lag, delay = path
    believed = Delay(Fraction(round(delay * 1e6), 10**6))

    def shape(x: Array) -> Loop | None:
        cutoff = float(np.exp(x[0]))
        if not cutoff < _EDGE * half:
            return None
        observer = DisturbanceObserver(gain, _rounded(x[1]), believed, _rounded(cutoff))
        return replace(bare, disturbance_observer=observer)

    first = 1.0 / (2.0 * np.pi * max(delay, plant.period))
    shares = np.log(first * np.array([0.03, 0.1, 0.3, 0.8]))
    starts = tuple((float(share), own) for share in shares for own in _lags(lag, delay))
    return Family(shape, starts, (0.4, 0.0))


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")


def _of_machines(family: _Found) -> _Found:
    """Return a family that a loop at the supply of the link does not have: the scenario allows it none."""

    def found(loop: Loop, plant: LoopPlant, known: dict[str, Loop]) -> Family | str:
        if loop.acts_on == SUPPLY:
            return "not for a loop that keeps the voltage of the link"
        return family(loop, plant, known)

    return found


STRUCTURES = {
    structure.name: structure
    for structure in (
        Structure("kept", "same controller, new gains", _kept),
        Structure("pi", "PI", _pi),
        Structure("pi_low_pass", "PI, low-pass on the reading", _low_pass),
        Structure("pi_notch", "PI, one notch on the reading", _one_notch),
        Structure("pi_two_notches", "PI, two notches on the reading", _two_notches),
        Structure(
            "pi_feedforward", "PI, feedforward and filter of the set-point", _of_machines(_feedforward)
        ),
        Structure("pid", "PID, filtered derivative", _pid),
        Structure("active_damping", "PI, active damping across the line", _of_machines(_active_damping)),
        Structure(
            "active_damping_high_pass",
            "PI, active damping, high-pass on its speeds",
            _of_machines(_high_passed_damping),
        ),
        Structure("disturbance_observer", "PI, disturbance observer", _of_machines(_observer)),
        Structure("predictor", "PI, delay-compensating predictor", _of_machines(_predictor)),
    )
}
"""By name, the simplest first."""
