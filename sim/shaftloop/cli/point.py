"""Operating points and frequencies on a command line."""

from collections.abc import Callable
from typing import Any

import click

__all__ = ["at_option", "read_frequencies", "read_torque"]


def at_option(says: str) -> Callable[[Any], Any]:
    """Return the option ``--at`` of a command.

    Parameters
    ----------
    says : str
        What it is for.
    """
    return click.option("--at", multiple=True, metavar="FREQUENCY", help=says)


def read_torque(text: str) -> float:
    """Return the torque of ``--torque`` [N m].

    Parameters
    ----------
    text : str
        A number with a unit.

    Raises
    ------
    ScenarioError
        Where it is none.
    """
    return _read("torque", text, "N m", "80 N m")


def read_frequencies(texts: tuple[str, ...]) -> tuple[float, ...]:
    """Return the frequencies of ``--at`` [Hz].

    Parameters
    ----------
    texts : tuple of str
        Numbers with a unit.

    Raises
    ------
    ScenarioError
        Where one is none.
    """
    return tuple(_read("at", text, "Hz", "20 Hz") for text in texts)


def _read(option: str, text: str, unit: str, example: str) -> float:
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.fields import shown
    from shaftloop.scenario.units import UnitError, read_quantity

    try:
        return float(read_quantity(text, (unit,))[0])
    except UnitError as error:
        raise ScenarioError([f'`{option}`: {shown(text)}: {error}, e.g. "{example}"']) from None
