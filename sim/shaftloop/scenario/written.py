"""How a scenario would state what was read of it."""

import math
from fractions import Fraction
from typing import Any

from shaftloop.scenario.fields import WRITTEN, quantity_of
from shaftloop.scenario.ratios import ShaftOrder
from shaftloop_models.parameters import Delay, Gain

__all__ = ["written"]


def written(hint: Any, value: Any) -> Any:
    """Return a value as a scenario would state it, by the annotation of its field: quantities with a unit."""
    meta = quantity_of(hint)
    if isinstance(value, tuple) and not isinstance(value, ShaftOrder):
        return [written(hint, item) for item in value]
    if isinstance(value, Delay):
        return _with_unit(value.value, "sample" if value.in_samples else "s")
    if isinstance(value, Gain):
        # That of a default is but one of the units it may have: which one, the loop decides.
        return _with_unit(value.value, value.unit) if value.value else None
    if isinstance(value, ShaftOrder):
        return str(value) if value.of else value.order
    if isinstance(value, Fraction) and meta is None:
        return int(value) if value.denominator == 1 else str(value)
    if meta is None or value is None:
        return value
    return _with_unit(value, meta.unit)


def _with_unit(value: Fraction | float, unit: str) -> str | float:
    number = float(value)
    if unit == "1":
        return number
    plain = f"{number:.12g} {unit}"
    if unit not in ("rad/s", "rad/s^2"):
        return plain
    return min(plain, f"{number * 30.0 / math.pi:.12g} {WRITTEN[unit]}", key=len)
