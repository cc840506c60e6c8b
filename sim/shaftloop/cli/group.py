"""The command group: every error ends in a message and an exit code, none in a traceback."""

import os
import sys
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import click

from shaftloop.cli.options import SCENARIO, say
from shaftloop.errors import BenchError, ShaftloopError

__all__ = ["BAD_INPUT", "INTERRUPTED", "Commands", "Terminated", "interrupted", "leave_streams"]

INTERRUPTED = 130
"""Exit code after Ctrl-C."""
_TERMINATED = 143
"""Exit code after SIGTERM."""

BAD_INPUT = 2
"""Exit code of what the user can mend."""
_INTERNAL = 3


class Terminated(KeyboardInterrupt):
    """Raised on SIGTERM, so that a command ends as on Ctrl-C."""


def interrupted(stop: KeyboardInterrupt) -> int:
    """Say that a command was stopped and return its exit code.

    Parameters
    ----------
    stop : KeyboardInterrupt
        What stopped it.
    """
    terminated = isinstance(stop, Terminated)
    say("terminated" if terminated else "interrupted")
    return _TERMINATED if terminated else INTERRUPTED


class Commands(click.Group):
    """A group of commands that keeps the contract on exit codes."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command."""
        try:
            with _warnings_said():
                return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except ShaftloopError as error:
            say(_placed(error, ctx.meta.get(SCENARIO)))
            raise click.exceptions.Exit(error.exit_code) from None
        except KeyboardInterrupt as stop:
            raise click.exceptions.Exit(interrupted(stop)) from None
        except BrokenPipeError:
            leave_streams()
            raise click.exceptions.Exit(0) from None
        except OSError as error:
            leave_streams()
            say(f"{error.filename or 'output'}: {error.strerror or error}; choose another place")
            raise click.exceptions.Exit(BAD_INPUT) from None
        except Exception as error:
            if ctx.params.get("debug"):
                say("".join(traceback.format_exception(error)))
            say(f"internal error, please report it with the scenario: {type(error).__name__}: {error}")
            say("shaftloop --debug ... shows where it comes from")
            raise click.exceptions.Exit(_INTERNAL) from error


def _placed(error: ShaftloopError, scenario: Any) -> str:
    """Return the text of an error, with the place in the scenario where it is about a key of it."""
    if scenario is None or not isinstance(error, BenchError):
        return str(error)
    from shaftloop.scenario.locate import Locator
    from shaftloop.scenario.source import label_of

    return f"{label_of(scenario.path)}:{Locator(scenario.text).line(error.path)}: {error}"


@contextmanager
def _warnings_said() -> Iterator[None]:
    """Say the warnings of libraries, of which the kernels' store is one, like all others."""
    with warnings.catch_warnings():
        warnings.showwarning = lambda message, *_, **__: say(f"warning: {message}")
        yield


def leave_streams() -> None:
    """Keep the interpreter from flushing into a pipe that is closed or a disk that is full when it ends."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            with suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
