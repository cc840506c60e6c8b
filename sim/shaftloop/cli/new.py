"""`shaftloop new`: write a first scenario."""

import re
import sys
from pathlib import Path
from typing import Any, NamedTuple

import click

from shaftloop.errors import ScenarioError

__all__ = ["new"]


class _Question(NamedTuple):
    """A figure of the bench that is asked for."""

    option: str
    unit: str
    example: str
    """Taken where nobody is there to be asked; empty where it is estimated."""
    least: str
    most: str
    help: str


_QUESTIONS = (
    _Question("torque", "N m", "90 N m", "0.01 N m", "100 kN m", "Rated torque of the machine under test."),
    _Question("speed", "rad/s", "800 rpm", "10 rpm", "200000 rpm", "Its rated speed."),
    _Question(
        "inertia", "kg m^2", "", "1e-9 kg m^2", "1e6 kg m^2", "Its inertia; else that of similar ones."
    ),
    _Question("sensor", "N m", "", "0.01 N m", "200 kN m", "Rated torque of the torque sensor."),
    _Question("coupling", "N m/rad", "", "0.1 N m/rad", "1000 MN m/rad", "Stiffness of each coupling."),
    _Question("bus", "s", "", "50 us", "20 ms", "Period of the bus that carries the reading; else none."),
)


def _options(command: Any) -> Any:
    for question in reversed(_QUESTIONS):
        text = f'{question.help} E.g. "{question.example}".' if question.example else question.help
        command = click.option(f"--{question.option}", metavar="QUANTITY", help=text)(command)
    return command


_BARE = re.compile(r"\d+(\.\d*)?|\.\d+")
_PLATE = (
    _Question("power", "W", "", "1 W", "10 MW", ""),
    _Question("speed", "rad/s", "", "10 rpm", "200000 rpm", ""),
    _Question("voltage", "V", "", "10 V", "1000 V", ""),
    _Question("frequency", "Hz", "", "1 Hz", "2 kHz", ""),
    _Question("power factor", "1", "", "0.1", "0.99", ""),
    _Question("efficiency", "1", "", "0.1", "0.99", ""),
    _Question("pull-out ratio", "1", "", "1.1", "10", ""),
)
"""What stands on the name plate of an induction machine, in the order in which it is stated."""


@click.command()
@click.argument("name")
@_options
@click.option(
    "--name-plate",
    "plate",
    metavar="LIST",
    help="Write a part file instead, of an induction machine: power, speed, voltage between lines, "
    "frequency, power factor, efficiency and pull-out ratio, e.g. "
    '"7.5 kW, 1455 rpm, 400 V, 50 Hz, 0.85, 0.88, 2.8".',
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout and ask nothing.")
def new(name: str, plate: str | None, as_json: bool, **answers: str | None) -> None:
    """Write a first scenario NAME.toml, with a comment beside every estimate.

    Asks for what no option states where somebody is there to answer. With --name-plate NAME.toml is a part.
    """
    from shaftloop.figures import number
    from shaftloop.report.files import write_text
    from shaftloop.scenario.fields import NAME_PATTERN
    from shaftloop.scenario.first import MIND, FirstBench, first_scenario

    stem = name.removesuffix(".toml")
    if not re.fullmatch(NAME_PATTERN, stem) or len(stem) > 60:
        raise click.BadParameter("use letters, digits, - and _ only, at most 60", param_hint="NAME")
    file = Path(f"{stem}.toml")
    if file.exists():
        raise ScenarioError([f"{file}: is there already; choose another name, or move it away"])
    if plate is not None:
        _write_part(file, plate, answers, as_json)
        return
    if not as_json and sys.stdin.isatty() and sys.stdout.isatty():
        for question in _QUESTIONS:
            if answers[question.option] is None:
                empty = "" if question.example else " Empty: estimated or none."
                answers[question.option] = click.prompt(
                    f"{question.help}{empty}", default=question.example, show_default=bool(question.example)
                )
    bench = FirstBench(**{q.option: _read(q, answers[q.option] or q.example) for q in _QUESTIONS})
    if bench.range < bench.torque:
        raise click.BadParameter(
            f"{bench.range:g} N m is less than the rated torque, {bench.torque:g} N m; choose a larger one",
            param_hint="--sensor",
        )
    write_text(file, first_scenario(stem, bench))
    said = (
        f"{file} is a bench for {bench.torque:g} N m with its first mode at about {bench.mode:.3g} Hz. "
        "Its gains are a careful first guess, and what is marked as an estimate waits for a data sheet."
    )
    further = {
        f"shaftloop {verb} {file}": why
        for verb, why in (
            ("show", "what was understood"),
            ("simulate", "what the bench does"),
            ("margins", "how stable its loops are"),
            ("tune", "better gains, with --loop torque"),
        )
    }
    figures = {"torque": number(bench.torque, "N m"), "first_mode": number(bench.mode, "Hz")}
    _tell(file, said, figures, further, MIND, as_json)


def _tell(
    file: Path,
    said: str,
    figures: dict[str, Any],
    further: dict[str, str],
    mind: tuple[str, ...],
    as_json: bool,
) -> None:
    """Say what was written, or hand it out as a document."""
    from shaftloop.cli.options import hand_out
    from shaftloop.report.documents import as_json as text_of
    from shaftloop.report.terminal import print_answer, print_line

    if as_json:
        next_steps = [{"what": what, "why": why} for what, why in further.items()]
        told = {"answer": [said], "file": str(file), **figures, "further": next_steps, "cautions": list(mind)}
        hand_out(text_of(told))
        return
    print_answer([said])
    for what, why in further.items():
        print_line(f"{what}: {why}")


def _write_part(file: Path, text: str, answers: dict[str, str | None], as_json: bool) -> None:
    """Write the part file of an induction machine from the text of its name plate."""
    from shaftloop.figures import number
    from shaftloop.report.files import write_text
    from shaftloop.scenario.plate import MIND, plate_text
    from shaftloop_models.name_plate import NamePlate, NamePlateError, estimate

    if extra := [name for name, value in answers.items() if value is not None and name != "inertia"]:
        raise click.UsageError(f"--{extra[0]} does not go with --name-plate; only --inertia does")
    words = [word.strip() for word in text.split(",")]
    if len(words) != len(_PLATE):
        order = ", ".join(question.option for question in _PLATE)
        raise click.BadParameter(
            f"{len(words)} values where {len(_PLATE)} are due: {order}; decimals have a point",
            param_hint="--name-plate",
        )
    stated = NamePlate(*(_read(q, w, "--name-plate") for q, w in zip(_PLATE, words, strict=True)))
    inertia = _read(_QUESTIONS[2], answers["inertia"] or "")
    try:
        found = estimate(stated)
    except NamePlateError as error:
        raise click.BadParameter(str(error), param_hint="--name-plate") from None
    write_text(file, plate_text(stated, found, inertia))
    said = (
        f"{file} is an induction machine of {found.torque:.4g} N m that pulls out at "
        f"{stated.pull_out:g} times that. What its name plate does not tell is marked as assumed."
    )
    further = {"in a scenario": f'[[line]] with from = "{file}" and a name'}
    _tell(file, said, {"torque": number(found.torque, "N m")}, further, MIND, as_json)


def _read(question: _Question, text: str, hint: str = "") -> Any:
    """Return an answer in SI units, nothing where there is none."""
    from shaftloop.scenario.units import UnitError, read_quantity

    if not text:
        return None
    try:
        value, least, most = (
            float(each)
            if question.unit == "1" and _BARE.fullmatch(each)
            else float(read_quantity(each, (question.unit,))[0])
            for each in (text, question.least, question.most)
        )
    except UnitError as error:
        raise click.BadParameter(f"{text}: {error}", param_hint=hint or f"--{question.option}") from None
    if not least <= value <= most:
        raise click.BadParameter(
            f"{question.option} {text} is out of range; allowed: {question.least} to {question.most}",
            param_hint=hint or f"--{question.option}",
        )
    return value
