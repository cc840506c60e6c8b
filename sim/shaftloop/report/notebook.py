"""An answer in a notebook: title, what must be known, figures, the main picture."""

from collections.abc import Callable
from html import escape
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from shaftloop.answers.base import Answer
from shaftloop.report.quantities import show

__all__ = ["shown"]

_PICTURES: dict[str, tuple[str, Callable[[Any], tuple[Any, ...]]]] = {
    "RunAnswer": ("run.overview.draw_overview", lambda a: (a.simulation,)),
    "ModesAnswer": ("modes.shapes.draw_modes", lambda a: (a.line, a.modes)),
    "MarginsAnswer": ("margins.bode.draw_bode", lambda a: (next(iter(a.loops.values())).margins,)),
    "FidelityAnswer": ("fidelity.error.draw_error", lambda a: (a.found,)),
}
"""What draws the main picture of an answer, and what of it; title and file follow."""


def shown(answer: Answer) -> str:
    """Return an answer as a piece of a page.

    Parameters
    ----------
    answer : Answer
        From one of the questions.
    """
    rows = "".join(
        f"<tr><td>{escape(name)}</td><td>{escape(_value(figure.value, figure.unit, figure.reason))}</td>"
        f"<td>{escape(figure.meaning)}</td></tr>"
        for name, figure in answer.figures.items()
    )
    notes = "".join(f"<p>{escape(note)}</p>" for note in answer.warnings)
    return f"<h3>{escape(answer.title)}</h3>{notes}{_picture(answer)}<table>{rows}</table>"


def _value(value: float | None, unit: str, reason: str) -> str:
    return show(value, unit) if value is not None else f"none: {reason}"


def _picture(answer: Answer) -> str:
    if type(answer).__name__ not in _PICTURES:
        return ""
    name, parts = _PICTURES[type(answer).__name__]
    module, _, function = name.rpartition(".")
    draw = getattr(import_module(f"shaftloop.report.{module}"), function)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "picture.svg"
        draw(*parts(answer), answer.title, [path])
        text = path.read_text(encoding="utf-8")
    return text[text.index("<svg") :]
