"""Orders, periods per turn: ratios of whole numbers, which may name the shaft whose turn is meant."""

import math
import re
from collections.abc import Iterable
from fractions import Fraction
from typing import Any, NamedTuple

from shaftloop.errors import ScenarioError

__all__ = ["RatioError", "ShaftOrder", "check_orders", "order_text", "read_order", "read_ratio"]

_LARGEST_DENOMINATOR = 1000
_RATIO = r"-?\d{1,6}(\.\d{1,12})?|\d{1,6}\s*/\s*0*[1-9]\d{0,5}"
"""A decimal number, or one whole number over another."""


class RatioError(ValueError):
    """A value that is no order; the message goes on behind the value."""


class ShaftOrder(NamedTuple):
    """An order of a shaft."""

    order: float
    """Periods per turn."""
    of: str = ""
    """Part on the shaft that turns; empty for the leftmost one."""

    def __str__(self) -> str:
        """Return it as a scenario has it: as a ratio where it is one."""
        ratio = Fraction(self.order).limit_denominator(_LARGEST_DENOMINATOR)
        order = str(ratio) if float(ratio) == self.order else f"{self.order:.12g}"
        return f"{order} of {self.of}" if self.of else order


def order_text(order: float) -> str:
    """Return an order as text, as a ratio such as 37/11 where six digits do not tell it.

    Parameters
    ----------
    order : float
        Periods per turn.
    """
    ratio = Fraction(order).limit_denominator(_LARGEST_DENOMINATOR)
    short = f"{order:g}"
    # A gear in between leaves rounding.
    told = math.isclose(float(short), order, rel_tol=1e-12)
    return short if told or not math.isclose(float(ratio), order, rel_tol=1e-12) else f"{ratio}"


def check_orders(orders: Iterable[float]) -> None:
    """Check orders that a caller asks for.

    Raises
    ------
    ScenarioError
        Where one is out of range.
    """
    for order in orders:
        if not 0.0 < order <= 1000.0:
            raise ScenarioError(
                [f"`orders`: {order:g} is out of range; allowed: above 0 and at most 1000 periods per turn"]
            )


def read_ratio(value: Any) -> Fraction:
    """Return a ratio of two small whole numbers: ``6``, ``1.5``, ``"37/11"``.

    Raises
    ------
    RatioError
        Where it is none, or its denominator is above 1000.
    """
    text = value.strip() if isinstance(value, str) else "" if isinstance(value, bool) else repr(value)
    if not re.fullmatch(_RATIO, text, re.ASCII):
        raise RatioError('is no ratio of whole numbers; write e.g. 6, 1.5 or "37/11"')
    ratio = Fraction(re.sub(r"\s", "", text))
    if ratio.denominator > _LARGEST_DENOMINATOR:
        raise RatioError(
            f"is no ratio of small whole numbers: its denominator is {ratio.denominator}; "
            f'allowed: up to {_LARGEST_DENOMINATOR}; nearest: "{ratio.limit_denominator(1000)}"'
        )
    return ratio


def read_order(value: Any) -> ShaftOrder:
    """Return an order that may name a part of its shaft: ``24``, ``"37/11"``, ``"3/2 of load"``.

    Any bare number will do: nothing has to repeat after whole turns.

    Raises
    ------
    RatioError
        Where a text is no ratio, or names nothing behind ``of``.
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        return ShaftOrder(float(value))
    order, of, name = value.partition(" of ") if isinstance(value, str) else (value, "", "")
    if of and not name.strip():
        raise RatioError('names no part behind "of"; write e.g. "3/2 of load"')
    return ShaftOrder(float(read_ratio(order)), name.strip())
