"""What happened in a run in which something fails or trips: as table, document and picture."""

import math
from collections.abc import Iterator, Sequence
from typing import Any

from shaftloop.analysis.timeline import SAFE, Moment, Timeline
from shaftloop.answers.run import RunAnswer
from shaftloop.engine.events import SEQUENCE
from shaftloop.figures import number
from shaftloop.report.canvas import COLOURS, Picture
from shaftloop.report.quantities import show
from shaftloop.report.terminal import Piece, add_row, new_table
from shaftloop.scenario.description import Description
from shaftloop.scenario.faults import said

__all__ = ["tell_timeline", "timeline_document", "timeline_picture"]

_MOST = 14
_ENDS = {
    "torque_gone": "the torque of every machine is gone",
    "stands": "the line stands: it turns below 1 rpm",
    "discharged": f"the link is below {SAFE:g} V",
}
_WORDS = {
    "restored": "{name} is over",
    "exceeded": "{name} sees its level passed",
    "cleared": "{name} sees its level kept again",
    "tripped": "{name} trips",
    "did_not_act": "{name} should trip and does not act",
    "torque_off": "{name} takes the torque away",
    "ramp_down": "{name} ramps the torque down",
    "beyond_max_speed": "{name} is beyond max_speed, steps become finer",
    "lost": "the grid is lost",
    "sags": "the grid sags",
    "returned": "the grid returns",
    **_ENDS,
}
_SHADE = {"failed": "limit", "lost": "limit", "tripped": "reading", **dict.fromkeys(_ENDS, "now")}


def _happens(moment: Moment, description: Description) -> str:
    """Return what happens at a moment."""
    fault = next((fault for fault in description.fault if fault.name == moment.name), None)
    if moment.kind == "failed" and fault is not None:
        return said(fault)
    name = "the sequence" if moment.name == SEQUENCE else moment.name
    words = _WORDS.get(moment.kind, "{name} " + moment.kind.replace("_", " ")).format(name=name)
    return words + (f", {moment.count} times" if moment.count > 1 else "")


def _shown(line: Timeline) -> Sequence[Moment]:
    """Return the moments that there is room for: where a limit chatters, the first ones and the ends."""
    if len(line.moments) <= _MOST:
        return line.moments
    ends = [moment for moment in line.moments if moment.kind in _ENDS]
    first = [moment for moment in line.moments if moment.kind not in _ENDS][: _MOST - len(ends)]
    return sorted([*first, *ends], key=lambda moment: moment.time)


def tell_timeline(answer: RunAnswer, line: Timeline) -> Iterator[Piece]:
    """Yield the table of what happened and a sentence on what is left."""
    table = new_table("What happened", "at", "after", "what", "")
    shown = _shown(line)
    for moment in shown:
        after = show(moment.time - line.begin, "s", 4) if moment.time >= line.begin else "-"
        note = "computed, behind the end of the run" if moment.expected else ""
        happens = _happens(moment, answer.scenario.description)
        add_row(table, f"{moment.time:.7g} s", after, happens, note)
    yield table
    if len(line.moments) > len(shown):
        yield f"... and {len(line.moments) - len(shown)} more events"
    values = {name.partition(".")[2]: figure for name, figure in line.figures.items()}
    turns, energy, link = values["turns"], values["line_energy"], values.get("link_energy")
    far = (
        f"It is not known how far the line runs on: {turns.reason}"
        if turns.value is None
        else f"The line runs on for {turns.value:.3g} turns"
    )
    when = "when the torque is gone" if values["torque_gone_after"].value is not None else "at the end"
    charge = "" if link is None else f" and {show(link.value or 0.0, 'J', 3)} in the link"
    yield f"{far}; {when} {show(energy.value or 0.0, 'J', 3)} are left in what turns{charge}."
    empty = values.get("discharged_after")
    if empty is not None and empty.value is None:
        yield f"How long the link stays above {SAFE:g} V: {empty.reason}."


def timeline_document(answer: RunAnswer) -> dict[str, Any] | None:
    """Return what happened as a document; nothing where nothing failed or tripped."""
    line = answer.timeline
    if line is None:
        return None
    figures = {name.partition(".")[2]: figure.document() for name, figure in line.figures.items()}
    return {
        "begin": number(line.begin, "s"),
        **figures,
        "moments": [
            {
                "time": number(moment.time, "s"),
                "after": number(moment.time - line.begin, "s"),
                "kind": moment.kind,
                "name": moment.name,
                "what": _happens(moment, answer.scenario.description),
                "computed": moment.expected,
            }
            for moment in line.moments
        ],
    }


def timeline_picture(answer: RunAnswer, title: str) -> Picture | None:
    """Return what happened, one below the other over the time since it began, which spans decades."""
    line = answer.timeline
    if line is None:
        return None
    shown = [moment for moment in _shown(line) if moment.time >= line.begin]
    later = [moment.time - line.begin for moment in shown if moment.time > line.begin]
    first = 10.0 ** math.floor(math.log10(min(later, default=1e-3)) - 0.3)

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        before, rows = first, []
        for row, moment in enumerate(shown):
            after = max(moment.time - line.begin, first)
            colour = COLOURS[_SHADE.get(moment.kind, "quiet")]
            style: Any = {"height": 0.5, "color": colour, "alpha": 0.35 if moment.expected else 1.0}
            axes.barh(row, after - before, left=before, **style)
            axes.plot([after], [row], marker="|", color=colour, markersize=14.0)
            words = _happens(moment, answer.scenario.description)
            since = "" if moment.time <= line.begin else f", {show(moment.time - line.begin, 's', 3)}"
            behind = " (computed)" if moment.expected else ""
            rows.append(f"{words}{since}{behind}")
            before = after
        axes.set_xscale("log")
        axes.set_xlim(first, max([*later, 10.0 * first]) * 1.3)
        axes.set_yticks(range(len(rows)), rows, fontsize=9.0, parse_math=False)
        axes.tick_params(axis="y", length=0.0)
        axes.grid(visible=False, axis="y")
        axes.invert_yaxis()
        axes.set_xlabel(f"time since {line.begin:.6g} s [s]; bars: from what came before")

    shows = "What failed, who noticed, who acted and when it was over, over the time since it began"
    return Picture("timeline", title, shows, answer.title, (11.0, 1.6 + 0.4 * max(len(shown), 4)), paint)
