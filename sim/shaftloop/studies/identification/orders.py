"""Order lines in a fit: what repeats with the angle of a shaft is no word about the bench.

Sine and cosine of every order, of free amplitude and phase that drift slowly, are regressed out of the
residuals and of the sensitivities of every column (separable least squares), so that values and spreads come
from what is beside the orders. Strong orders that nobody named are found in the residual over the angle.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.logs.orderlines import OrderLines
from shaftloop.errors import ScenarioError
from shaftloop.scenario.fields import nearest, shown
from shaftloop.studies.identification.replay import Replay

__all__ = ["Order", "Orders", "strongest"]

Array = NDArray[np.float64]

_SLOW, _FAST = 0.2, 0.04
"""Time from knot to knot of a line, and the least to which it is halved where its skirts are strong. [s]"""
_SKIRT = 0.06
"""Of an order: a line so near is a skirt of it."""
_SWINGS = 0.01
"""Swing of a speed from which a line that drives the plant is not followed."""
_MOST = 12
"""Lines and skirts that are looked for."""
_ABOVE = 30.0
"""Power over the median beside it from which a line is one."""
_SHARE = 0.02
"""Least share of the power of a residual: what the judgement objects to."""
_OWN = 0.25
"""Power over that of what the bench shows there, below which an error of the model may be the cause."""
_TURNS, _PERIODS = 5.0, 16
"""Least of them in a record that tells an order."""
_BESIDE = 40
"""Bins to either side over which the median is taken."""


@dataclass(frozen=True)
class Order:
    """An order that was taken out."""

    order: float
    """Periods per turn."""
    of: str
    """Channel of the speed, or of the angle, of its shaft."""
    found: bool
    """By the residual, and not named."""
    fast: bool
    """Whether it, or the speed, changes faster than amplitude and phase are followed with ease."""
    amplitudes: tuple[float, ...]
    """Root mean square over the fitted rows times √2, per compared column. [unit]"""


class Orders:
    """The order lines of the compared columns.

    Parameters
    ----------
    replay : Replay
        The log and the bench.
    named : sequence of float
        Orders that are taken out from the start.
    speed : str, optional
        Channel or header of the speed, or the angle, of their shaft; else the first speed of the log.
    parts : sequence of ndarray
        Per compared column: which of its rows are fitted. Lines of the others are found apart.
    """

    def __init__(
        self,
        replay: Replay,
        named: Sequence[float],
        speed: str | None,
        parts: Sequence[NDArray[np.bool_]],
    ) -> None:
        self._parts, self._times = parts, [entry.time for entry in replay.compared]
        self.of, source = _turning(replay, speed)
        if source is None and named:
            raise ScenarioError(
                [f"{replay.logs}: orders are taken out by angle: log the speed of the shaft, or its angle"]
            )
        self._angles = None if source is None else [np.interp(time, *source) for time in self._times]
        self._named, self._slow = tuple(named), dict.fromkeys(named, _SLOW)
        self._lines = self._built()

    def _built(self) -> list[OrderLines | None]:
        if self._angles is None or not self._slow:
            return [None] * len(self._times)
        built: list[OrderLines | None] = []
        for i, (time, angle, part) in enumerate(zip(self._times, self._angles, self._parts, strict=True)):
            same = next((k for k in range(i) if np.array_equal(self._times[k], time)), None)
            built.append(OrderLines(time, angle, self._slow, part) if same is None else built[same])
        return built

    def without(self, column: int, values: Array) -> Array:
        """Return values of a compared column without what the orders may be.

        Parameters
        ----------
        column : int
            Number of the column.
        values : ndarray, shape (rows,) or (rows, parameters)
            A residual, or sensitivities.
        """
        lines = self._lines[column]
        return values if lines is None else lines.without(values)

    def taken(self, left: Sequence[Array]) -> tuple[Order, ...]:
        """Return the orders with their amplitudes.

        Parameters
        ----------
        left : sequence of ndarray
            What the bench leaves of every column, lines included. [unit]
        """
        sizes = [
            [] if lines is None else lines.amplitudes(values, chosen)
            for lines, values, chosen in zip(self._lines, left, self._parts, strict=True)
        ]
        return tuple(
            Order(
                order,
                self.of,
                order not in self._named,
                slow < _SLOW or self._swing(order) > _SWINGS,
                tuple(size[i] for size in sizes),
            )
            for i, (order, slow) in enumerate(self._slow.items())
        )

    def _swing(self, order: float) -> float:
        """Return the swing of the speed over its mean, without what is slow and the order itself."""
        assert self._angles is not None, "an order has been taken out by it"
        time, angle = self._times[0], self._angles[0]
        mean = float(np.sum(np.abs(np.diff(angle)))) / (time[-1] - time[0])
        if mean == 0.0:
            return 0.0
        quick, slow = (
            (np.interp(time + half, time, angle) - np.interp(time - half, time, angle)) / (2.0 * half)
            for half in (np.pi / (order * mean), 0.5 * _SLOW)
        )
        inside = (time > time[0] + 0.5 * _SLOW) & (time < time[-1] - 0.5 * _SLOW)
        return float(np.std((quick - slow)[inside]) / mean) if inside.any() else 0.0

    def find(self, left: Sequence[Array], shown_: Sequence[Array]) -> bool:
        """Take out strong orders of what is left, too; whether there were any.

        Parameters
        ----------
        left : sequence of ndarray
            What the bench leaves of every column, lines included. [unit]
        shown_ : sequence of ndarray
            What the bench shows of it. [unit]
        """
        if self._angles is None:
            return False
        for count in range(_MOST):
            best = (0.0, 0.0)
            for i, (angle, chosen) in enumerate(zip(self._angles, self._parts, strict=True)):
                rest = self.without(i, left[i])[chosen]
                best = max(best, strongest(angle[chosen], rest, shown_[i][chosen], tuple(self._slow)))
            if best[0] == 0.0:
                return count > 0
            order = best[1]
            near = min(self._slow, key=lambda known: abs(known - order), default=np.inf)
            if abs(near - order) < _SKIRT * near:
                if self._slow[near] < 2.0 * _FAST:
                    return count > 0
                self._slow[near] *= 0.5
            else:
                self._slow[order] = _SLOW
            self._lines = self._built()
        return True


def strongest(angle: Array, left: Array, shown_: Array, taken: Sequence[float] = ()) -> tuple[float, float]:
    """Return share of the power and order of the strongest line of a residual, zeros where none is strong.

    Lines of whole orders count, as far as the record can tell, and skirts of those that have been taken out:
    others may be sidebands, by which a torque that comes and goes shows what the bench lacks. A line that the
    bench shows too, at twice the size, may be an error of the bench and is left.

    Parameters
    ----------
    angle : ndarray, shape (rows,)
        [rad]
    left, shown_ : ndarray, shape (rows,)
        Residual, and what the bench shows, in any unit.
    taken : sequence of float
        Orders that have been taken out.
    """
    from scipy.ndimage import maximum_filter1d, median_filter

    nothing = (0.0, 0.0)
    if len(left) < 4 * _BESIDE:
        return nothing
    angle = angle if angle[-1] > angle[0] else -angle
    turns = (angle[-1] - angle[0]) / (2.0 * np.pi)
    if turns < _TURNS or not np.all(np.diff(angle) > 0.0):
        return nothing
    even = np.linspace(angle[0], angle[-1], len(angle))
    window = np.hanning(len(even))
    power, own = (
        np.abs(np.fft.rfft(window * (x - x.mean()))) ** 2
        for x in (np.interp(even, angle, values) for values in (left, shown_))
    )
    first = _PERIODS
    last = int(0.4 * len(even))
    if last - first < 2 * _BESIDE or not power.sum() > 0.0:
        return nothing
    beside = median_filter(power, 2 * _BESIDE + 1)[first:last]
    # A line is three bins wide behind this window.
    sums = np.convolve(power, np.ones(3), "same")[first:last]
    orders = np.arange(first, last) / turns
    whole = np.maximum(np.rint(orders), 1.0)
    told = np.abs(orders - whole) < 0.6 / turns + 0.002 * orders
    skirt = np.zeros(len(orders), dtype=bool)
    for order in taken:
        skirt |= np.abs(orders - order) < _SKIRT * order
    strong = (
        (told | skirt)
        & (power[first:last] == maximum_filter1d(power, 3)[first:last])
        & (power[first:last] > _ABOVE * beside)
        & (sums > _SHARE * power[1:].sum())
        & (sums > _OWN * np.convolve(own, np.ones(3), "same")[first:last])
    )
    if not strong.any():
        return nothing
    k = int(np.argmax(np.where(strong, sums, 0.0)))
    share, order = float(sums[k] / power[1:].sum()), float(orders[k])
    return share, float(whole[k]) if told[k] else order


def _turning(replay: Replay, speed: str | None) -> tuple[str, tuple[Array, Array] | None]:
    """Return the channel that tells the angle of a shaft, and times and angles."""
    logged = [(c.column, c.unit, c.time, c.measured) for c in replay.compared]
    if speed is not None:
        chosen = [entry for entry in logged if speed in (entry[0].channel, entry[0].header)]
        names = [entry[0].channel for entry in logged if entry[1] in ("rad/s", "rad")]
        if not chosen or chosen[0][1] not in ("rad/s", "rad"):
            known = ", ".join(names) or "none"
            hint = nearest(speed, names)
            raise ScenarioError([f"`speed` {shown(speed)}: no logged speed or angle{hint}; logged: {known}"])
    else:
        chosen = [e for e in logged if e[1] == "rad/s" and not e[0].channel.endswith("_setpoint")]
        if not chosen:
            return "", None
    column, unit, time, values = chosen[0]
    if unit == "rad":
        return column.channel, (time, np.unwrap(values))
    turned = np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time))
    return column.channel, (time, np.concatenate(([0.0], turned)))
