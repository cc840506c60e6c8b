"""Numbers for people: rpm, ms, kJ and % instead of SI units."""

import math

__all__ = ["percent", "readable", "show"]

_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"))
_LADDERS = {"J": _PREFIXES, "W": _PREFIXES, "Pa": _PREFIXES, "s": _PREFIXES[2:], "F": _PREFIXES[2:]}
_NOTHING = 1e-12
"""Below it, in SI units, a quantity is what rounding leaves of none."""
_TORQUE = ((1e4, 1e3, "kN m"), (0.1, 1.0, "N m"), (1e-4, 1e-3, "mN m"), (0.0, 1e-6, "µN m"))


def percent(share: float, decimals: int = 0) -> str:
    """Return a share in per cent as text.

    Parameters
    ----------
    share : float
        [1]
    decimals : int
        How many.
    """
    # Plus zero, for a share of -0.001 is no "-0".
    return f"{round(100.0 * share, decimals) + 0.0:.{decimals}f} %"


def readable(value: float, unit: str) -> tuple[float, str]:
    """Return a quantity in the unit in which people speak of it.

    Parameters
    ----------
    value : float
        In `unit`.
    unit : str
        SI unit, as in a metric.
    """
    size = abs(value)
    if unit == "rad/s":
        return value * 30.0 / math.pi, "rpm"
    if unit == "rad":
        return math.degrees(value), "deg"
    if unit == "kg m":
        return 1e6 * value, "g mm"
    if unit == "1" and size >= 1e-3:
        return 100.0 * value, "%"
    if unit == "1":
        return value, ""
    if unit == "N m" and size > 0.0:
        factor, name = next((factor, name) for least, factor, name in _TORQUE if size >= least)
        return value / factor, name
    for factor, prefix in _LADDERS.get(unit, ()):
        if size >= factor:
            return value / factor, prefix + unit
    return value, unit


def show(value: float, unit: str, digits: int = 4) -> str:
    """Return a quantity as text with its unit.

    Parameters
    ----------
    value : float
        In `unit`.
    unit : str
        SI unit, as in a metric.
    digits : int
        Significant digits.
    """
    none = abs(value) < _NOTHING and (unit in _LADDERS or unit in ("N m", "rad/s", "rad"))
    number, name = readable(0.0 if none else value, unit)
    if number == 0.0:
        text = "0"
    elif 10.0**digits <= abs(number) < 1e9:
        text = f"{number:.0f}"
    else:
        text = f"{number:#.{digits}g}".rstrip(".")
    return f"{text} {name}".rstrip()
