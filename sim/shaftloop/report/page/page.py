"""Answers as one self-contained page: nothing is fetched, and nothing from a file is taken for markup."""

import base64
import hashlib
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Any

from shaftloop.answers.run import RunAnswer
from shaftloop.answers.show import ShowAnswer
from shaftloop.report.documents import origin, text
from shaftloop.report.page.colours import rules
from shaftloop.report.page.figures import Drawn, drawn
from shaftloop.report.page.front import Front
from shaftloop.report.page.line import line_svg, line_title
from shaftloop.report.page.omissions import cautions, left_out
from shaftloop.report.page.sections import AnsweredSection
from shaftloop.report.page.traces import trace_data
from shaftloop.report.quantities import show
from shaftloop.report.show.room import values
from shaftloop.report.terminal import Grid, add_row, new_table
from shaftloop.text import escaped

__all__ = ["page_text"]

_UNIT = re.compile(r"(?<=\d) (?=(?:[%°]|[µmkM]?(?:Hz|s|J|W|V|A|N|rad)\b|rpm|kg|deg|dB))|(?<=N) (?=m\b)")
_LONG = 15
"""Rows beyond which a table is folded up until it is asked for; on paper it never is."""


@dataclass(frozen=True)
class _Shown:
    """A section as the template takes it."""

    found: AnsweredSection
    figures: tuple[Drawn, ...]
    pieces: tuple[Any, ...]
    """Grids, and lists of lines between them."""

    @property
    def name(self) -> str:
        return self.found.section.name

    @property
    def question(self) -> str:
        return self.found.section.question


def page_text(
    bench: ShowAnswer, found: Sequence[AnsweredSection], front: Front, spelt: Callable[[str], str] = str
) -> str:
    """Return the page.

    Parameters
    ----------
    spelt : callable
        Returns a text with the arguments that it has in backticks as its readers know them.
    """
    sections = [_shown(entry, bench.title) for entry in found]
    light, dark = rules(c for s in sections for f in s.figures if not f.paper for c in f.colours)
    style = _resource("page.css").replace("/* figures, light */", light).replace("/* figures, dark */", dark)
    script = _resource("page.js")
    run = next((s.found.answer for s in sections if isinstance(s.found.answer, RunAnswer)), None)
    traces = None if run is None else trace_data(run.simulation)
    omitted, left = left_out()
    rendered: str = _template().render(
        spelt=spelt,
        bench=bench,
        front=front,
        sections=sections,
        warnings=_warnings(bench, found),
        line={"svg": line_svg(bench), "title": line_title(bench)},
        traces=None if traces is None else _inert(traces),
        stretch=0 if traces is None else traces["stretch"],
        values=values(bench),
        left_out=left,
        left_out_note=omitted,
        cautions=_cautions(found),
        long=_LONG,
        provenance=_provenance(bench, run),
        style=style,
        script=script,
        style_hash=_hash(style),
        script_hash=_hash(script),
    )
    return rendered


def _shown(found: AnsweredSection, title: str) -> _Shown:
    if found.reason:
        return _Shown(found, (), ())
    section = found.section
    figures = tuple(
        drawn(picture, f"{section.name}-{picture.name}") for picture in section.pictures(found.answer)
    )
    pieces: list[Grid | list[str]] = []
    for piece in section.details(found.answer):
        if isinstance(piece, Grid):
            pieces.append(replace(piece, title=_heading(piece.title, title)))
        elif pieces and isinstance(pieces[-1], list):
            pieces[-1].append(piece)
        else:
            pieces.append([piece])
    return _Shown(found, figures, tuple(pieces))


def _heading(heading: str, title: str) -> str:
    """Return the heading of a table without the title of the bench, which stands over the page."""
    words = (
        heading.partition(": ")[2] if heading.endswith(title) else heading.removeprefix(title).lstrip(": ")
    )
    return "" if words == title else words[:1].upper() + words[1:]


def _warnings(bench: ShowAnswer, found: Sequence[AnsweredSection]) -> list[str]:
    notes = [note for entry in found for note in getattr(entry.answer, "notes", ())]
    return list(dict.fromkeys([*bench.scenario.warnings, *notes]))


def _cautions(found: Sequence[AnsweredSection]) -> list[str]:
    """Return what the answers ask to be minded, and what holds for every bench."""
    named = [text for entry in found for text in getattr(entry.answer, "cautions", ())]
    return list(dict.fromkeys([*named, *cautions()]))


def _provenance(bench: ShowAnswer, run: RunAnswer | None) -> Grid:
    """Return what the page came from, and how far its numbers can be trusted."""
    scenario, table = bench.scenario, new_table("Provenance", "what", "value")
    came = origin(scenario)
    add_row(table, "scenario", f"{text(scenario.name)}, hash {came['scenario_hash']}")
    add_row(table, "values set on top", "\n".join(scenario.settings) or "none")
    add_row(table, "shaftloop", came["version"])
    add_row(
        table, "python and libraries", ", ".join([came["python"], *map(" ".join, came["libraries"].items())])
    )
    add_row(table, "seed of noise", f"{came['seed']}")
    if run is not None:
        simulation, residual = run.simulation, run.metrics["energy_residual"]
        add_row(table, "method and step", f"{simulation.method}, {show(simulation.step, 's', 3)}")
        if residual.value is not None:
            add_row(table, "energy that does not close", f"{residual.value:.1e} of what circulates")
        largest = None if run.verification is None else run.verification.largest
        if largest is not None:
            cycle = "" if simulation.duty is None else ", in one cycle of the duty"
            add_row(table, "largest change with half the step", f"{largest[1]:.1e}, of {largest[0]}{cycle}")
    return table


def _inert(document: Any) -> str:
    """Return a document as text that no parser of pages takes for the end of its element."""
    return json.dumps(document, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")


def _unbroken(words: str) -> str:
    """Return a text in which no line ends between a number and its unit."""
    return _UNIT.sub("\u00a0", words)


def _hash(content: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(content.encode("utf-8")).digest()).decode("ascii")


def _resource(name: str) -> str:
    return (files("shaftloop.report.page") / "templates" / name).read_text(encoding="utf-8")


@cache
def _template() -> Any:
    from jinja2 import Environment, FunctionLoader, StrictUndefined, pass_context

    environment = Environment(
        loader=FunctionLoader(_resource),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=pass_context(
            lambda page, value: _unbroken(page["spelt"](escaped(value))) if type(value) is str else value
        ),
    )
    environment.tests["grid"] = lambda value: isinstance(value, Grid)
    return environment.get_template("page.html")
