"""The command `shaftloop`. What is heavy is imported inside the commands that need it."""

import atexit
import gc
import json
import os
import signal
import sys
import threading

import click

from shaftloop.cli.check import check
from shaftloop.cli.faults import faults
from shaftloop.cli.fidelity import fidelity
from shaftloop.cli.group import BAD_INPUT, Commands, Terminated, interrupted, leave_streams
from shaftloop.cli.identify import identify
from shaftloop.cli.margins import margins
from shaftloop.cli.modes import modes
from shaftloop.cli.new import new
from shaftloop.cli.options import hand_out
from shaftloop.cli.report import report
from shaftloop.cli.sensors import sensors
from shaftloop.cli.show import show
from shaftloop.cli.simulate import simulate
from shaftloop.cli.size import size
from shaftloop.cli.study import study
from shaftloop.cli.tune import tune
from shaftloop.cli.uncertainty import uncertainty

__all__ = ["cli", "main"]


def _print_version(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        from importlib.metadata import PackageNotFoundError, version

        try:
            click.echo(f"shaftloop {version('shaftloop')}")
        except PackageNotFoundError:
            click.echo("shaftloop, version unknown: not installed as a package")
        ctx.exit()


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Print the version.",
)
@click.option("--debug", is_flag=True, help="Show where an internal error comes from.")
def cli(debug: bool) -> None:
    """Simulate regenerative back-to-back test benches.

    Exit codes: 0 done, 1 a check failed or a part is taken beyond its limit, 2 bad input,
    3 the simulation failed, 130 interrupted, 143 terminated.
    """


@cli.command()
@click.option("--json", "as_json", is_flag=True, help="Print a JSON document.")
def scenarios(as_json: bool) -> None:
    """List the scenarios that ship with the package."""
    from shaftloop.scenario.shipped import shipped_scenarios

    found = shipped_scenarios()
    if as_json:
        click.echo(json.dumps({"scenarios": [{"name": entry.name, "title": entry.title} for entry in found]}))
        return
    width = max((len(entry.name) for entry in found), default=0)
    for entry in found:
        hand_out(f"{entry.name:{width}}  {entry.title}\n")


@cli.command()
def schema() -> None:
    """Print the JSON Schema of a scenario file, for editors."""
    from shaftloop.scenario.schema import schema_text

    hand_out(schema_text())


cli.add_command(check)
cli.add_command(faults)
cli.add_command(fidelity)
cli.add_command(identify)
cli.add_command(margins)
cli.add_command(modes)
cli.add_command(new)
cli.add_command(report)
cli.add_command(sensors)
cli.add_command(show)
cli.add_command(simulate)
cli.add_command(size)
cli.add_command(study)
cli.add_command(tune)
cli.add_command(uncertainty)


def _fill_streams() -> None:
    """Let what the caller has closed lead nowhere, else a file opened later gets its number and its text."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode))


def main() -> None:
    """Run the command line."""
    _fill_streams()
    # Matrices here are small: threads inside one product only get in each other's way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Imports leave 160,000 objects that live to the end; looking through them again and again takes a tenth.
    gc.set_threshold(300_000)
    code: list[int] = []
    atexit.register(_leave, code)
    signal.signal(signal.SIGTERM, _terminate)
    sys.unraisablehook = _stop_again
    try:
        cli(prog_name="shaftloop")
    except SystemExit as end:
        if isinstance(end.code, int):
            code.append(end.code)
        raise
    except OSError:
        # A message on the command line itself that could not be printed.
        leave_streams()
        sys.exit(BAD_INPUT)
    except KeyboardInterrupt as stop:
        sys.exit(interrupted(stop))
    finally:
        # What comes now comes too late: the command is done, and its exit code stands.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.SIG_IGN)


def _terminate(*_: object) -> None:
    raise Terminated


def _leave(code: list[int]) -> None:
    """Leave all memory to the system, the last thing at a regular exit; taking it apart takes an eighth."""
    if code:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code[0])


def _stop_again(lost: "sys.UnraisableHookArgs") -> None:
    """Send a stop again that was raised where Python had to drop it, as in a callback of the compiler."""
    if isinstance(lost.exc_value, KeyboardInterrupt):
        number = signal.SIGTERM if isinstance(lost.exc_value, Terminated) else signal.SIGINT
        again = threading.Timer(0.05, os.kill, (os.getpid(), number))
        again.daemon = True
        again.start()
    else:
        sys.__unraisablehook__(lost)
