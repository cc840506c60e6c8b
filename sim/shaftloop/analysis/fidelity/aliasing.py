"""Torque ripple that turns with the shaft, and where sampling puts it in the reading.

A ripple of order n has the frequency ``f = n·ω/2π``. What the low-pass leaves of it appears in samples of
rate fs at ``|f − fs·round(f/fs)|``. The loop takes these samples at its own rate, which folds that frequency
once more. At the operating speed, size and place are those of the closed bench (`ForcedBench.lines`). Over
the speed range the response at the operating point is used: only the electrics of the machines change it with
the speed. What the cylinders of an engine make is that of its mean torque at the operating point and, over
the range, of each speed.

A folded line that lies below the bandwidth of the torque loop is taken for torque and acted on. It is kept
out by a lower cutoff, so that less of it passes, or by faster sampling, so that it folds to above the band.

References
----------
.. [1] Folding of a frequency by sampling: check E6.3.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.fidelity.forced import SampledLine, air_gap_torque, folded
from shaftloop.analysis.fidelity.signalpath import low_pass_response
from shaftloop.analysis.fidelity.transfer import Fidelity
from shaftloop.analysis.interference import excitations
from shaftloop.analysis.margins import loop_margins
from shaftloop.analysis.response import root
from shaftloop.bench.parts.part import make_part
from shaftloop.errors import ScenarioError
from shaftloop.scenario.ratios import check_orders, order_text
from shaftloop_models.lowpass import LowPass

__all__ = ["Aliasing", "FoldedOrder", "Remedy", "Ripple", "aliasing", "control_band", "ripples"]

Array = NDArray[np.float64]

_SPEEDS = 800
_ROUGHLY = 1e-12


@dataclass(frozen=True)
class Ripple:
    """A torque ripple of the unit under test."""

    order: float
    """Periods per turn."""
    amplitude: float | None
    """At the air gap; None where it is not known. [N m]"""
    source: str
    """In words."""
    demanded: bool = False
    """Whether the machine states it or somebody asked for it."""
    over: Callable[[Array], Array] | None = None
    """Amplitude at other speeds [rad/s], where the machine states it; else it is the same. [N m]"""


@dataclass(frozen=True)
class FoldedOrder:
    """A ripple at the operating speed and over the speed range."""

    ripple: Ripple
    frequency: float
    """At the operating speed. [Hz]"""
    lines: tuple[SampledLine, ...]
    """In the samples of the sensor, the direct one first; empty at rest."""
    received: tuple[SampledLine, ...]
    """In what the torque loop receives, largest first; empty without such a loop."""
    speed: Array
    """Range of speeds, shape (n,). [rad/s]"""
    folded: Array
    """Where the line appears in the samples at each speed, shape (n,). [Hz]"""
    size: Array
    """Its size per N m at the air gap at the operating speed, commands held, shape (n,). [N m/N m]"""
    true: float = 0.0
    """Amplitude of the true torque at the sensor per N m at the air gap; 0 at rest. [N m/N m]"""


@dataclass(frozen=True)
class Remedy:
    """What keeps folded lines below a level, over the whole speed range."""

    needed: bool
    """Whether one lies above it, in the control band where there is one."""
    cutoff: float | None
    """Highest cutoff of the same kind and order, at most the present one; None where there is none. [Hz]"""
    sampling: float
    """Lowest rate at which the present low-pass lets no line above the level into the control band. [Hz]"""
    unfolded: float
    """Lowest rate at which no line above the level is folded at all. [Hz]"""


@dataclass(frozen=True)
class Aliasing:
    """Folded ripple of a bench."""

    orders: tuple[FoldedOrder, ...]
    """By rising order."""
    band: float | None
    """Bandwidth of the torque loop; None without one. [Hz]"""
    max_speed: float
    """End of the speed range. [rad/s]"""
    level: float
    """Amplitude that a folded line should stay below. [N m]"""
    remedy: Remedy
    warnings: tuple[str, ...]


def ripples(
    found: Fidelity, orders: Sequence[float] = (), amplitude: float | None = None
) -> tuple[Ripple, ...]:
    """Return the ripples of the unit: those it states (cogging, cylinders), else the orders of its electrics.

    Further `orders` are added; `amplitude` is that of every order for which the scenario states none. [N m]

    Raises
    ------
    ScenarioError
        Where an order or the amplitude is out of range.
    """
    if amplitude is not None and not (math.isfinite(amplitude) and amplitude > 0.0):
        raise ScenarioError([f"`ripple`: {amplitude:g} N m is no amplitude; state one above 0"])
    check_orders(orders)
    stated = _stated(found)
    known = {ripple.order for ripple in stated}
    pace = found.bench.bench.line.pace(found.unit)
    natural = [
        Ripple(entry.order / pace, amplitude, entry.source)
        for entry in excitations(found.description)
        if entry.order / pace not in known and (found.unit in entry.source or "as stated" in entry.source)
    ]
    further = [Ripple(order, amplitude, "asked for", demanded=True) for order in orders if order not in known]
    chosen = {ripple.order: ripple for ripple in [*([] if stated else natural), *further, *stated]}
    return tuple(chosen[order] for order in sorted(chosen))


def _stated(found: Fidelity) -> list[Ripple]:
    """Return ripple and cogging of the unit, or what its cylinders make, at the operating point."""
    # As described: the smooth bench has none of it.
    machine = next(part for part in found.description.machines() if part.name == found.unit)
    part = make_part(machine)
    torque = air_gap_torque(found.bench, found.state, found.unit)
    now = np.array([found.turning(found.unit)])
    demanded = bool(machine.ripple or machine.cogging)

    def over(order: float, speed: Array) -> Array:
        return np.asarray(np.abs(part.pulsation(torque, speed)[order][1]))

    return [
        Ripple(order, float(abs(phasor[0])), words, demanded, partial(over, order))
        for order, (words, phasor) in part.pulsation(torque, now).items()
        if phasor.any()
    ]


def aliasing(
    found: Fidelity,
    orders: Sequence[float] = (),
    amplitude: float | None = None,
    level: float | None = None,
) -> Aliasing:
    """Return where the ripples of the unit appear in the reading, and what would keep them out.

    `orders` and `amplitude` as in `ripples`; folded lines should stay below `level`, a thousandth of the
    rated torque where not given. [N m]

    Raises
    ------
    ScenarioError
        Where an order is asked for and the bench stands still, or a figure is out of range.
    """
    if level is not None and not (math.isfinite(level) and level > 0.0):
        raise ScenarioError([f"`level`: {level:g} N m is no level; state one above 0"])
    given = ripples(found, orders, amplitude)
    if orders and found.point.speed == 0.0:
        raise ScenarioError(
            ["a ripple by order has no frequency at rest: the operating speed is 0; give one with `speed`"]
        )
    limit = 1e-3 * found.sensor.rated if level is None else level
    max_speed = found.bench.bench.fastest() * found.bench.bench.line.pace(found.unit)
    band = control_band(found)
    folds = tuple(_folded(found, ripple, max_speed) for ripple in given)
    remedy = _remedy(found, folds, limit, band)
    return Aliasing(folds, band, max_speed, limit, remedy, _warnings(found, folds, limit, band))


def control_band(found: Fidelity) -> float | None:
    """Return the bandwidth of the torque loop, its crossover where it has none, None without a loop [Hz]."""
    if (loop := found.held.loop) is None:
        return None
    margins = loop_margins(found.bench, loop, found.point, found.state)
    return margins.bandwidth or margins.crossover


def _folded(found: Fidelity, ripple: Ripple, max_speed: float) -> FoldedOrder:
    frequency = ripple.order * abs(found.turning(found.unit)) / (2.0 * math.pi)
    lines: list[SampledLine] = []
    received: list[SampledLine] = []
    bench, true = found.closed or found.held, 0.0
    if frequency > 0.0:
        true = float(abs(bench.respond(np.array([frequency])).true[0]))
        lines = sorted(bench.lines(frequency), key=lambda line: not line.direct)
        received = bench.lines(frequency, received=True) if bench.loop is not None else []
    speed = np.linspace(max_speed / _SPEEDS, max_speed, _SPEEDS)
    frequencies = ripple.order * speed / (2.0 * math.pi)
    responses = found.held.respond(frequencies)
    places = np.array([folded(float(f), found.sampling) for f in frequencies])
    size = np.abs(responses.reading)
    if ripple.over is not None and ripple.amplitude:
        size *= ripple.over(speed) / ripple.amplitude
    return FoldedOrder(ripple, frequency, tuple(lines), tuple(received), speed, places, size, true)


def _remedy(found: Fidelity, folds: Sequence[FoldedOrder], level: float, band: float | None) -> Remedy:
    """Return the cutoff, or the rate, that keeps every order of known amplitude below the level."""
    half, highest, needed = 0.5 * found.sampling, 0.0, False
    raw: list[tuple[float, float]] = []
    for fold in folds:
        if fold.ripple.amplitude is None:
            continue
        frequency = fold.ripple.order * fold.speed / (2.0 * math.pi)
        arriving = fold.ripple.amplitude * fold.size
        highest = max([highest, *frequency[arriving > level]])
        hit = (frequency > half) & (fold.folded <= (band or half))
        needed = needed or bool((arriving[hit] > level).any())
        ahead = arriving / np.maximum(np.abs(low_pass_response(found.sensor.filter, frequency)), _ROUGHLY)
        raw += zip(frequency[hit].tolist(), ahead[hit].tolist(), strict=True)
    cutoff = _cutoff(found.sensor.filter, raw, level)
    # The first fold of f is fs - f, which is above the band from fs = f + band on.
    return Remedy(needed, cutoff, highest + (band or highest), 2.0 * highest)


def _cutoff(low_pass: LowPass | None, raw: Sequence[tuple[float, float]], level: float) -> float | None:
    """Return the highest cutoff, at most the present one, at which all lines stay below the level [Hz]."""
    if low_pass is None:
        return None
    if not raw:
        return low_pass.cutoff
    frequency, size = (np.array(column) for column in zip(*raw, strict=True))

    def excess(cutoff: float) -> float:
        passed = np.abs(low_pass_response(replace(low_pass, cutoff=cutoff), frequency))
        return float(np.max(passed * size)) - level

    if excess(low_pass.cutoff) <= 0.0:
        return low_pass.cutoff
    lowest = 1e-4 * low_pass.cutoff
    if excess(lowest) > 0.0:
        return None
    return math.exp(root(lambda x: excess(math.exp(x)), math.log(lowest), math.log(low_pass.cutoff)))


def _warnings(
    found: Fidelity, folds: Sequence[FoldedOrder], level: float, band: float | None
) -> tuple[str, ...]:
    """Return a sentence for every order that folds into the control band, here or at another speed."""
    texts = []
    rpm = 30.0 / math.pi
    for fold in folds:
        amplitude, order = fold.ripple.amplitude, fold.ripple.order
        name = f"order {order_text(order)} ({fold.ripple.source})"
        half = 0.5 * found.sampling
        reach = band if band is not None else 0.0
        direct = next((line for line in fold.lines if line.direct), None)
        if direct is not None and fold.frequency > half and direct.frequency <= reach:
            size = "" if amplitude is None else f", {amplitude * direct.size:.3g} N m of it,"
            if amplitude is None or amplitude * direct.size > level:
                texts.append(
                    f"{name} at {fold.frequency:.4g} Hz{size} appears in the reading at "
                    f"{direct.frequency:.4g} Hz, inside the band of the torque loop ({reach:.4g} Hz)"
                )
                continue
        frequencies = order * fold.speed / (2.0 * math.pi)
        hit = (frequencies > half) & (fold.folded <= reach)
        if amplitude is not None:
            hit &= amplitude * fold.size > level
            if hit.any():
                worst = int(np.flatnonzero(hit)[np.argmax(fold.size[hit])])
                texts.append(
                    f"{name} folds into the band of the torque loop ({reach:.4g} Hz) near "
                    f"{rpm * fold.speed[worst]:.4g} rpm, with {amplitude * fold.size[worst]:.3g} N m"
                )
    return tuple(texts)
