"""The recorded channels of a run as data of a page: small, and exact enough to read with a cursor."""

import base64
import math
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.simulation import Simulation

__all__ = ["trace_data"]

Array = NDArray[np.float64]

_MOST = 900_000
"""Values of all channels together; beyond it every pair of points is lowest and highest of a stretch."""
_LEVELS = 65_535
"""Steps between the lowest and the highest value of a channel."""
_RPM = 30.0 / math.pi
_ORDER = ("N m", "rpm", "W", "J")
"""Panels that come first."""

_SHOWN = ("true_torque", "reading")
"""Torques that are there from the start, besides set-points; the others are switched on."""


def trace_data(simulation: Simulation) -> dict[str, Any] | None:
    """Return the channels by unit, each in steps of its range, packed; nothing where there is no course."""
    time, count = simulation.time, len(simulation.traces)
    if len(time) < 3 or not count:
        return None
    width = -(-len(time) * count // _MOST)
    # A pair of points stands for twice the stretch of one, so that lowest and highest take no more room.
    width = 0 if width <= 1 else 2 * width
    panels: dict[str, list[dict[str, Any]]] = {}
    for name, values in simulation.traces.items():
        unit = simulation.units[name]
        factor, unit = (_RPM, "rpm") if unit == "rad/s" else (1.0, unit)
        shown = unit != "N m" or name in _SHOWN or name.endswith("_setpoint")
        packed = _packed(factor * _thinned(values, width))
        panels.setdefault(unit, []).append({"name": name, "shown": shown, **packed})
    ordered = sorted(panels, key=lambda unit: (_ORDER.index(unit) if unit in _ORDER else len(_ORDER), unit))
    period = float(time[-1] - time[0]) / (len(time) - 1)
    return {
        "start": float(time[0]),
        "step": period * (width / 2 if width else 1),
        "points": len(_thinned(time, width)),
        "stretch": width,
        "panels": [{"unit": unit, "channels": panels[unit]} for unit in ordered],
    }


def _thinned(values: Array, width: int) -> Array:
    """Return lowest and highest value of every stretch, in the order in which they come."""
    if not width:
        return values
    count = len(values) // width
    rows = values[: count * width].reshape(count, width)
    first = np.sort(np.stack((rows.argmin(axis=1), rows.argmax(axis=1))), axis=0)
    return np.take_along_axis(rows, first.T, axis=1).ravel()


def _packed(values: Array) -> dict[str, Any]:
    """Return a channel as differences of steps of its range, which pack well."""
    low, high = float(values.min()), float(values.max())
    steps = np.round((values - low) / ((high - low) or 1.0) * _LEVELS).astype("<u2")
    moved = np.diff(steps, prepend=np.uint16(0)).astype("<u2")
    return {
        "low": low,
        "high": high,
        "data": base64.b64encode(zlib.compress(moved.tobytes(), 9)).decode("ascii"),
    }
