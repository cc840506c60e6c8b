"""The error tree. Everything that is meant for the user derives from `ShaftloopError`.

SimPy rebuilds an exception that crosses it from its positional arguments, so every class here keeps
all it holds in ``args``.
"""

from collections.abc import Sequence
from typing import ClassVar

__all__ = ["BenchError", "CostError", "ScenarioError", "ShaftloopError", "SimulationError"]


class ShaftloopError(Exception):
    """Base of all errors that end a command with a message instead of a traceback."""

    exit_code: ClassVar[int] = 1


class ScenarioError(ShaftloopError):
    """Bad input: a scenario, a part file, a trace or a setting.

    Parameters
    ----------
    messages : sequence of str
        One entry per fault, each ``file:line: key: what is wrong, the allowed range, a fix``.
    """

    exit_code: ClassVar[int] = 2

    def __init__(self, messages: Sequence[str]) -> None:
        self.messages: tuple[str, ...] = tuple(messages)
        super().__init__(self.messages)

    def __str__(self) -> str:
        """Return the messages, one a line."""
        return "\n".join(self.messages)


class BenchError(ScenarioError):
    """A bench that does not admit what is asked of it; commands add the place in its file.

    Parameters
    ----------
    path : tuple of str or int
        Keys in the scenario, e.g. ``("unit",)``.
    message : str
        What is wrong, and a fix.
    """

    def __init__(self, path: tuple[str | int, ...], message: str) -> None:
        super().__init__([f"{'.'.join(map(str, path))}: {message}"])
        self.path = path
        self.args = (path, message)


class SimulationError(ShaftloopError):
    """The simulation itself failed.

    Parameters
    ----------
    message : str
        What happened, with time and value.
    advice : str
        What to try.
    """

    exit_code: ClassVar[int] = 3

    def __init__(self, message: str, advice: str = "") -> None:
        self.message = message
        self.advice = advice
        super().__init__(message, advice)

    def __str__(self) -> str:
        """Return the message, with the advice after it."""
        return f"{self.message}\n{self.advice}" if self.advice else self.message


class CostError(SimulationError):
    """What was asked for is refused before it begins: it would take too long, or too much memory."""
