"""Arguments of a question, which messages put in backticks, spelt as the options of the command line."""

import re
from functools import cache

import click

__all__ = ["options", "spelt"]


@cache
def options() -> dict[str, str]:
    """Return the options of all commands by the argument that each of them gives."""
    from shaftloop.cli.main import cli

    given = (parameter for command in cli.commands.values() for parameter in command.params)
    return {str(option.name): option.opts[0] for option in given if isinstance(option, click.Option)}


def spelt(message: str) -> str:
    """Return a message with its arguments as options: ``a lower `torque``` becomes ``a lower --torque``.

    Parameters
    ----------
    message : str
        Backticks around what is no option stay.
    """
    return re.sub(r"`(\w+)`", lambda found: options().get(found[1], found[0]), message)
