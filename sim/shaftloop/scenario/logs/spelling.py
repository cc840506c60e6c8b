"""Headers and units as loggers write them."""

import re

from shaftloop.scenario.units import UnitError, unit_factor

__all__ = ["known_unit", "split_header"]

_HEADER = re.compile(r"(.*\S)\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))")
_SPOKEN = {
    "u/min": "rpm", "1/min": "rpm", "r/min": "rpm", "min-1": "rpm", "min^-1": "rpm", "min⁻¹": "rpm",
    "rev/min": "rpm", "upm": "rpm", "n.m": "N m", "n-m": "N m", "newton-meter": "N m", "sec": "s",
    "msec": "ms", "secs": "s", "seconds": "s", "volt": "V", "ampere": "A", "watt": "W", "hertz": "Hz",
    "rad/sec": "rad/s", "s-1": "1/s", "s^-1": "1/s", "-": "1", "": "1", "none": "1", "pct": "%",
}  # fmt: skip
"""What people and devices write, in lower case, and the unit that is meant."""


def split_header(text: str) -> tuple[str, str | None]:
    """Return name and unit of a header, ``name [unit]`` or ``name (unit)``; no unit where it states none.

    Parameters
    ----------
    text : str
        Header of a column.
    """
    match = _HEADER.fullmatch(text.strip())
    if match is None:
        return text.strip(), None
    return match[1], match[2] if match[2] is not None else match[3]


def known_unit(text: str) -> str:
    """Return a unit in the spelling of scenarios; the text itself where it is one that nobody knows.

    Parameters
    ----------
    text : str
        As a log states it.
    """
    plain = re.sub(r"(?<=N)m$", " m", text.strip().strip("[]()").strip())
    try:
        unit_factor(plain)
    except UnitError:
        return _SPOKEN.get(plain.lower(), plain)
    # 1/min is a rate in a scenario; on a bench's log it is a speed.
    return _SPOKEN.get(plain.lower(), plain) if plain.lower() in ("1/min", "") else plain
