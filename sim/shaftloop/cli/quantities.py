"""Options that take quantities with their units."""

from collections.abc import Callable
from typing import Any

import click

__all__ = ["ORDER", "QuantityType", "at_option", "point_options", "tolerance_option"]


_NAMES = {
    "rad/s": "speed",
    "N m": "torque",
    "Hz": "frequency",
    "s": "time",
    "1": "share",
    "rad": "angle",
    "m": "length",
}
"""What the help calls a quantity, by its unit."""


class _OrderType(click.ParamType):  # type: ignore[type-arg]
    """An order, periods per turn: a number or a ratio such as 37/11, handed on as a float."""

    name = "order"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the order.

        Raises
        ------
        ScenarioError
            Where it is none.
        """
        from shaftloop.errors import ScenarioError
        from shaftloop.scenario.fields import shown
        from shaftloop.scenario.ratios import RatioError, read_ratio

        try:
            return float(read_ratio(value)) if "/" in str(value) else float(value)
        except RatioError as error:
            raise ScenarioError([f"`orders`: {shown(value)} {error}"]) from None
        except ValueError:
            raise ScenarioError([f"`orders`: {shown(value)} is no number; e.g. 24 or 37/11"]) from None


ORDER = _OrderType()
"""Periods per turn."""


class QuantityType(click.ParamType):  # type: ignore[type-arg]
    """A number with a unit, handed on as a float in the SI unit.

    Parameters
    ----------
    unit : str
        SI unit.
    example : str
        What a message shows.
    above_zero : bool
        True where only that makes sense.
    """

    def __init__(self, unit: str, example: str, *, above_zero: bool = False) -> None:
        self.name, self.unit, self.example = _NAMES[unit], unit, example
        self.above_zero = above_zero

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the quantity.

        Raises
        ------
        ScenarioError
            Where it is none.
        """
        from shaftloop.errors import ScenarioError
        from shaftloop.scenario.fields import shown
        from shaftloop.scenario.units import UnitError, read_quantity

        start = f"`{param.name}`: {shown(value)}" if param else shown(value)
        try:
            number = float(read_quantity(value, (self.unit,))[0])
        except UnitError as error:
            raise ScenarioError([f'{start}: {error}, e.g. "{self.example}"']) from None
        if self.above_zero and not number > 0.0:
            raise ScenarioError([f'{start}: must be above 0, e.g. "{self.example}"'])
        return number


def at_option(says: str) -> Callable[[Any], Any]:
    """Return the option ``--at`` of a command, frequencies [Hz].

    Parameters
    ----------
    says : str
        What it is for.
    """
    return click.option("--at", multiple=True, type=QuantityType("Hz", "20 Hz"), help=says)


def tolerance_option(says: str) -> Callable[[Any], Any]:
    """Return the option ``--tolerance`` of a command.

    Parameters
    ----------
    says : str
        What it is for.
    """
    return click.option(
        "--tolerance",
        "tolerances",
        metavar="PATH=±P%",
        multiple=True,
        help=f"{says}, e.g. line.c1.stiffness=±20%, PATH=LO..HI, or the fit.json of identify for its "
        "intervals; repeatable.",
    )


_speed = click.option(
    "--speed",
    type=QuantityType("rad/s", "1500 rpm"),
    help='Operating speed, e.g. "1500 rpm"; else of the sequence.',
)
_torque = click.option(
    "--torque",
    type=QuantityType("N m", "80 N m"),
    help='Operating torque, e.g. "80 N m"; else of the sequence.',
)


def point_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command an operating point: ``--speed`` [rad/s] and ``--torque`` [N m]."""
    return _speed(_torque(command))
