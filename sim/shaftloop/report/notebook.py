"""An answer in a notebook: title, what must be known, figures, the main picture."""

from html import escape
from importlib import import_module

from shaftloop.answers.base import Found
from shaftloop.report.quantities import show

__all__ = ["shown"]

_ROOMS = {
    "RunAnswer": "run.room",
    "ModesAnswer": "modes.room",
    "MarginsAnswer": "margins.room",
    "FidelityAnswer": "fidelity.room",
    "ResponseAnswer": "identify.response",
    "FitAnswer": "identify.fit",
    "PlanAnswer": "identify.plan",
}
"""Which room draws the main picture of an answer, its first one."""


def shown(answer: Found) -> str:
    """Return an answer as a piece of a page."""
    rows = "".join(
        f"<tr><td>{escape(name)}</td><td>{escape(_value(figure.value, figure.unit, figure.reason))}</td>"
        f"<td>{escape(figure.meaning)}</td></tr>"
        for name, figure in answer.figures.items()
    )
    notes = "".join(f"<p>{escape(note)}</p>" for note in answer.warnings)
    return f"<h3>{escape(answer.title)}</h3>{notes}{_picture(answer)}<table>{rows}</table>"


def _value(value: float | None, unit: str, reason: str) -> str:
    return show(value, unit) if value is not None else f"none: {reason}"


def _picture(answer: Found) -> str:
    room = _ROOMS.get(type(answer).__name__)
    if room is None:
        return ""
    picture = import_module(f"shaftloop.report.{room}").pictures(answer)[0]
    return f"<figure><figcaption>{escape(picture.title)}</figcaption>{picture.svg()}</figure>"
