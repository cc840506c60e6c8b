"""What all commands on a scenario share: its name, settings on top, where results go, the JSON switch."""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import click
from click.shell_completion import CompletionItem

from shaftloop.cli.spelling import spelt
from shaftloop.text import escaped

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shaftloop.report.terminal import Piece
    from shaftloop.scenario.reading import Scenario

__all__ = [
    "SCENARIO",
    "Grouped",
    "Request",
    "check_as_stated",
    "check_of_use",
    "check_writable",
    "default_folder",
    "hand_out",
    "hand_over",
    "log_option",
    "patience_option",
    "request_options",
    "say",
    "scenario_options",
    "spelt_piece",
]


SCENARIO = "shaftloop.scenario"
"""What a click context calls the scenario that has been read."""


@dataclass(frozen=True)
class Request:
    """The common part of a command line."""

    source: str
    """File, or name of a shipped one."""
    settings: tuple[str, ...]
    """``path=value`` each."""
    out: Path | None
    json: bool
    pictures: tuple[str, ...] = ()
    """Formats of the pictures; none, no pictures."""

    def read(self) -> "Scenario":
        """Read the scenario and pass on what looks wrong in it."""
        from shaftloop.scenario.reading import read_scenario

        scenario = read_scenario(self.source, self.settings)
        click.get_current_context().meta[SCENARIO] = scenario
        for warning in scenario.warnings:
            say(f"warning: {warning}")
        return scenario

    def folder(self, name: str) -> Path | None:
        """Return the folder of the results, nothing where none is to be written.

        Parameters
        ----------
        name : str
            Of the scenario or study.
        """
        if self.out is not None:
            return self.out
        return None if self.json else default_folder(name)


class Grouped(click.Command):
    """A command with so many options that its help shows them in groups.

    Parameters
    ----------
    groups : dict
        Names of the options by the title of their group; all others come last.
    """

    def __init__(self, *words: Any, groups: dict[str, tuple[str, ...]], **more: Any) -> None:
        super().__init__(*words, **more)
        self.groups = groups

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options, group by group."""
        given = (each for each in self.get_params(ctx) if isinstance(each, click.Option))
        left = {option.name: option for option in given}
        groups = [(title, [left.pop(name) for name in names]) for title, names in self.groups.items()]
        for title, options in [*groups, ("Other", list(left.values()))]:
            with formatter.section(title):
                rows = (option.get_help_record(ctx) for option in options)
                formatter.write_dl([row for row in rows if row is not None])


def default_folder(name: str) -> Path:
    """Return where results go that are not sent elsewhere.

    Parameters
    ----------
    name : str
        Of the scenario or study.
    """
    return Path("shaftloop-out") / name


def say(message: str) -> None:
    """Print a message for people.

    Parameters
    ----------
    message : str
        Goes to stderr; what steers a terminal is spelt out, and arguments in backticks become options.
    """
    with suppress(OSError, ValueError):  # Nobody can be told that nobody can be told.
        click.echo(escaped(spelt(message)), err=True)


def hand_out(document: str) -> None:
    """Print a document for machines.

    Parameters
    ----------
    document : str
        Goes to stdout as UTF-8, whatever the terminal takes.
    """
    click.echo(document.encode("utf-8", "backslashreplace"), nl=False)


class Room(Protocol):
    """What the report knows of one question."""

    @property
    def verdict(self) -> Callable[[Any], "Sequence[str]"]:
        """One to three sentences that answer."""

    @property
    def document(self) -> Callable[[Any], dict[str, Any]]:
        """The answer as plain values."""

    @property
    def FILE(self) -> str:
        """What the document is called as a file."""

    @property
    def details(self) -> Callable[[Any], "Iterable[Piece]"]:
        """The tables and lines of the answer."""


def hand_over(answer: Any, room: Room, request: Request, folder: Path | None, *more: Path) -> None:
    """Write, say and show an answer.

    Parameters
    ----------
    room : module
        What the report knows of the question.
    folder : Path or None
        Of the results.
    *more : Path
        Files that were written already.
    """
    from shaftloop.report.documents import as_json
    from shaftloop.report.files import Outputs, together, write_answer
    from shaftloop.report.terminal import Progress, print_answer, print_details, show_cautions, show_files

    sentences = list(room.verdict(answer))
    mind = list(getattr(answer, "cautions", ()))
    document = as_json({"answer": sentences, **room.document(answer), "cautions": mind})
    with together(), Progress("writing"):
        out = None if folder is None else Outputs(folder, request.pictures)
        files = [] if out is None else write_answer(out, answer, room, document)
    for note in answer.notes:
        say(f"warning: {note}")
    if request.json:
        hand_out(document)
    else:
        print_answer([spelt(sentence) for sentence in sentences])
        print_details(map(spelt_piece, room.details(answer)))
        show_files([*files, *more])
        # The answer has said some of them already.
        show_cautions([text for text in mind if text not in sentences])


def spelt_piece(piece: "Piece") -> "Piece":
    """Return a table or line with its arguments as options."""
    if isinstance(piece, str):
        return spelt(piece)
    return replace(piece, rows=[tuple(map(spelt, row)) for row in piece.rows])


def check_of_use(names: "Sequence[str]", said: str) -> None:
    """Refuse options that were given where nothing would take them.

    Parameters
    ----------
    names : sequence of str
        Of parameters of the command that is run.
    said : str
        What they need, behind their names.
    """
    context = click.get_current_context()
    given = [
        parameter.opts[0]
        for parameter in context.command.params
        if parameter.name in names
        and context.get_parameter_source(parameter.name) is click.core.ParameterSource.COMMANDLINE
    ]
    if given:
        raise click.UsageError(f"{' and '.join(given)}: {said}")


def check_as_stated(request: Request) -> None:
    """Refuse to write about a bench that differs from its file.

    Parameters
    ----------
    request : Request
        What was asked for.

    Raises
    ------
    ScenarioError
        Where settings lie on top of the file.
    """
    from shaftloop.errors import ScenarioError

    if request.settings:
        raise ScenarioError(
            ["`write`: with `settings` the file is not the bench that was asked about; edit the file first"]
        )


def check_writable(scenario: "Scenario", request: Request) -> None:
    """Refuse to write where the file is not the bench that is meant.

    Parameters
    ----------
    scenario : Scenario
        That is to be written.
    request : Request
        What was asked for.

    Raises
    ------
    ScenarioError
        Where settings lie on top of the file, or it must stay as it is.
    """
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.shipped import is_shipped

    check_as_stated(request)
    if is_shipped(scenario.path):
        raise ScenarioError(
            [f"`write`: {scenario.name} comes with the package and stays as it is; use a copy"]
        )
    # A file is replaced as a whole, which its folder alone decides: the file's own word must be asked for.
    if not scenario.path.stat().st_mode & 0o222:
        raise ScenarioError([f"`write`: {scenario.path} is write-protected; make it writable or use a copy"])


def _set_patience(_: click.Context, __: click.Parameter, text: str) -> None:
    from shaftloop.scenario.units import UnitError, read_quantity

    try:
        seconds = float(read_quantity(text, ("s",))[0])
    except UnitError as error:
        raise click.BadParameter(f'{error}, e.g. "20 s" or "2 h"') from None
    if not seconds > 0.0:
        raise click.BadParameter("choose above 0")
    from shaftloop.analysis.cost import have_patience

    have_patience(seconds)


patience_option = click.option(
    "--patience",
    metavar="TIME",
    default="20 s",
    show_default=True,
    callback=_set_patience,
    expose_value=False,
    help="Refuse what takes longer by estimate.",
)
"""Give a command the longest time that a computation may take."""


log_option = click.option(
    "--log",
    metavar="KEY=VALUE",
    multiple=True,
    help="How a log is to be read, as in its [log] table, e.g. delimiter=; or column.M.unit=Nm; repeatable.",
)
"""Give a command that reads logs what states how."""


_FORMATS = ("png", "svg")


def _read_formats(_: click.Context, __: click.Parameter, text: str) -> tuple[str, ...]:
    kinds = [] if text == "none" else text.split(",")
    for kind in kinds:
        if kind not in _FORMATS:
            raise click.BadParameter(f'"{kind}" is no format; choose png, svg, both as png,svg, or none')
    return tuple(kind for kind in _FORMATS if kind in kinds)


_pictures_option = click.option(
    "--pictures",
    metavar="FORMATS",
    default="png",
    show_default=True,
    callback=_read_formats,
    help="Draw as png, svg, both as png,svg, or none.",
)


def _sources(_: click.Context, argument: click.Parameter, begun: str) -> list[CompletionItem]:
    """Return what a file may be: one that is there, or a shipped scenario."""
    from shaftloop.scenario.shipped import shipped_names

    names = shipped_names() if argument.metavar == "SCENARIO" else []
    found = [CompletionItem(name) for name in names if name.startswith(begun)]
    return found or [CompletionItem(begun, type="file")]


def _paths(ctx: click.Context, _: click.Parameter, begun: str) -> list[CompletionItem]:
    """Return the paths of the scenario that stands on the command line; none where it cannot be read."""
    from shaftloop.errors import ShaftloopError
    from shaftloop.scenario.reading import read_scenario, stated_values

    # An option that has no value yet ends the parsing before the file gets its name.
    source = ctx.params.get("source") or next(iter(ctx.args), None)
    try:
        values = stated_values(read_scenario(source)) if source else ()
    except ShaftloopError:
        return []
    return [
        CompletionItem(f"{value.path}=", help=value.text)
        for value in values
        if value.path.startswith(begun) and not value.path.endswith(".name")
    ]


def request_options(metavar: str, draws: bool = True) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Return what gives a command its file, --set, --out, --json and --pictures, as one `Request`.

    Parameters
    ----------
    metavar : str
        What the help calls the file.
    draws : bool
        True for a command that draws; it gets --pictures too.
    """

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        @click.argument("source", metavar=metavar, shell_complete=_sources)
        @click.option(
            "--set",
            "settings",
            metavar="PATH=VALUE",
            multiple=True,
            shell_complete=_paths,
            help="Change a value of the scenario, e.g. loop.torque.kp=0.3; repeatable.",
        )
        @click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder for the results.")
        @click.option(
            "--json", "as_json", is_flag=True, help="Print one JSON document on stdout and nothing else."
        )
        @patience_option
        @wraps(command)
        def wrapped(
            source: str,
            settings: tuple[str, ...],
            out: Path | None,
            as_json: bool,
            pictures: tuple[str, ...] = (),
            **rest: Any,
        ) -> None:
            if as_json and out is None and pictures:
                check_of_use(["pictures"], "with --json none are drawn unless a folder is named; add --out.")
            command(Request(source, settings, out, as_json, pictures), **rest)

        return _pictures_option(wrapped) if draws else wrapped

    return decorate


scenario_options = request_options("SCENARIO")
"""Give a command on a scenario its file, --set, --out, --json and --pictures."""
