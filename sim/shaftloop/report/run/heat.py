"""How warm a run makes the machines: in words, as tables and as a picture."""

from collections.abc import Iterator, Sequence
from typing import Any

from shaftloop.analysis.duty import Duty
from shaftloop.analysis.heat import HeatTrace
from shaftloop.analysis.ratings import held
from shaftloop.answers.run import RunAnswer
from shaftloop.engine.heat import Body
from shaftloop.figures import number
from shaftloop.report.canvas import COLOURS, MACHINE_COLOURS, Picture, over, thinned
from shaftloop.report.quantities import percent, show
from shaftloop.report.terminal import Grid, Piece, add_row, new_table

__all__ = ["HEAT_METRICS", "duty_document", "heat_picture", "heat_words", "span", "tell_heat"]

HEAT_METRICS = (
    *("end_temperature.", "peak_temperature.", "time_to_limit.", "steady_temperature.", "rms_current."),
    *("use.", "duty_", "steady_error"),
)
"""Begins the names of the metrics that stand in tables of their own."""

_ROOM = 2.0
"""Share of a limit's distance from what is reached up to which it is drawn."""


def span(seconds: float) -> str:
    """Return a time that may be long, as people say it.

    Parameters
    ----------
    seconds : float
        [s]
    """
    for unit, size in (("h", 3600.0), ("min", 60.0)):
        if seconds >= size:
            return f"{seconds / size:.4g} {unit}"
    return show(seconds, "s", 3)


def _nearest(trace: HeatTrace) -> tuple[int, Body]:
    """Return the body that makes most of the rise that its limit leaves it, else the hottest."""
    bodies = list(enumerate(trace.heat.bodies))
    peaks = trace.temperature.max(axis=0).tolist()
    limited = [
        ((peaks[i] - body.ambient) / (body.limit - body.ambient), i)
        for i, body in bodies
        if body.limit is not None
    ]
    number = max(limited)[1] if limited else max(range(len(peaks)), key=lambda i: peaks[i])
    return bodies[number]


def _named(body: Body) -> str:
    return " of ".join(reversed(body.name.split(".")))


def heat_words(answer: RunAnswer) -> str | None:
    """Return how warm the machines become, in a sentence; nothing where nothing warms up."""
    simulation, metrics = answer.simulation, answer.metrics
    trace = simulation.heat
    if trace is None or not trace.heat.bodies:
        return None
    number, body = _nearest(trace)
    warm = trace.temperature[:, number]
    at = float(trace.time[warm.argmax()])
    text = f"The {_named(body)} reaches {show(warm.max(), 'degC')} at {span(at)}"
    if body.limit is not None:
        room = body.limit - float(warm.max())
        text += f", {show(abs(room), 'K', 3)} {'below' if room >= 0.0 else 'above'} its limit"
        limit = metrics[f"time_to_limit.{body.name}"].value
        text += "" if limit is None else f", which it passes at {span(limit)}"
    if simulation.duty is None:
        return f"{text}."
    steady = metrics[f"steady_temperature.{body.name}"]
    if steady.value is None:
        return f"{text}; no steady state: {steady.reason}."
    return f"{text}; repeated for good, the duty takes it to {show(steady.value, 'degC')}."


def tell_heat(answer: RunAnswer) -> Iterator[Piece]:
    """Yield temperatures and currents as tables, where something warms up."""
    trace, duty = answer.simulation.heat, answer.simulation.duty
    if trace is None:
        return
    if trace.heat.bodies:
        yield _temperatures(answer, trace.heat.bodies)
    yield _currents(answer)
    if duty is not None:
        of_duty, of_steady = show(duty.error, "K", 2), show(duty.steady_error, "K", 2)
        yield (
            f"{duty.run} of {duty.cycles} cycles of {span(duty.cycle)} were run, the others follow: "
            f"to {of_duty} over the duty, {of_steady} in its steady state. An energy bill is that of the "
            "duty, other figures, traces and energies are those of the cycles that were run."
        )


def _temperatures(answer: RunAnswer, bodies: Sequence[Body]) -> Grid:
    duty, metrics = answer.simulation.duty, answer.metrics
    last = () if duty is None else ("steady",)
    table = new_table("Temperatures [degC]", "body", "end", "highest", "at", "limit", "limit after", *last)
    for body in bodies:
        end, peak = (metrics[f"{what}_temperature.{body.name}"] for what in ("end", "peak"))
        steady = None if duty is None else metrics[f"steady_temperature.{body.name}"].value
        limit = after = "-"
        if body.limit is not None:
            passed = metrics[f"time_to_limit.{body.name}"].value
            later = "never" if steady is None or steady <= body.limit else "later"
            limit, after = f"{body.limit:.4g}", later if passed is None else span(passed)
        highest = (f"{peak.value:.1f}", span(peak.at or 0.0))
        more = () if duty is None else ("-" if steady is None else f"{steady:.1f}",)
        add_row(table, body.name, f"{end.value:.1f}", *highest, limit, after, *more)
    return table


def _currents(answer: RunAnswer) -> Grid:
    columns = ("machine", "rms", "largest", "allowed", "current over time used")
    table = new_table("Currents, peak of a phase", *columns)
    limits = {entry.owner: entry for entry in held(answer.simulation) if entry.limit == "current"}
    for name in answer.simulation.bench.machines:
        rms, use = answer.metrics.get(f"rms_current.{name}"), answer.metrics.get(f"use.{name}.i2t")
        if rms is not None and rms.value is not None:
            spent = "-" if use is None or use.value is None else f"{percent(use.value, 1)}"
            values = (rms.value, limits[name].peak, limits[name].allowed)
            add_row(table, name, *(show(value, "A") for value in values), spent)
    return table


def duty_document(duty: Duty) -> dict[str, Any]:
    """Return what a duty comes to beyond its metrics."""
    return {
        "cycle": number(duty.cycle, "s"),
        "cycles": duty.cycles,
        "cycles_run": duty.run,
        "length": number(duty.cycle * duty.cycles, "s"),
        "ended": duty.ended or None,
    }


def heat_picture(answer: RunAnswer) -> Picture | None:
    """Return temperatures over time with their limits, nothing where nothing warms up."""
    simulation, title = answer.simulation, heat_words(answer)
    trace, duty = simulation.heat, simulation.duty
    if trace is None or title is None:
        return None
    scale, unit = next(
        (s, u) for s, u in ((3600.0, "h"), (60.0, "min"), (1.0, "s")) if trace.time[-1] >= s or s == 1
    )
    owners = list(dict.fromkeys(body.name.split(".")[0] for body in trace.heat.bodies))
    colours = {owner: MACHINE_COLOURS[i % len(MACHINE_COLOURS)] for i, owner in enumerate(owners)}

    def paint(figure: Any) -> None:
        axes = figure.subplots()
        place = 1.015 * trace.time[-1] / scale
        if duty is not None and duty.steady is not None:
            where = {"xycoords": ("data", "axes fraction"), "ha": "center", "va": "bottom", "fontsize": 9.0}
            axes.annotate("steady", (place, 1.0), **where)
        top = float(trace.temperature.max())
        low = float(trace.temperature.min())
        for i, body in enumerate(trace.heat.bodies):
            owner, _, what = body.name.partition(".")
            style = {"color": colours[owner], "linestyle": "-" if what == "winding" else "--"}
            axes.plot(*thinned(trace.time / scale, trace.temperature[:, i]), label=body.name, **style)
            if duty is not None and duty.steady is not None:
                ends = float(duty.steady[:, i].min()), float(duty.steady[:, i].max())
                bar = {"linewidth": 5.0, "marker": "_", "markersize": 5.0, "color": colours[owner]}
                axes.plot([place, place], ends, **bar)
                top = max(top, ends[1])
        limits: dict[float, list[str]] = {}
        for body in trace.heat.bodies:
            if body.limit is not None and body.limit - low <= _ROOM * (top - low):
                limits.setdefault(body.limit, []).append(body.name)
        for limit, names in limits.items():
            axes.axhline(limit, color=COLOURS["setpoint"], linewidth=1.0, linestyle=":")
            text = f" limit of {', '.join(names)}"
            axes.text(0.0, limit, text, va="bottom", fontsize=9.0, parse_math=False)
        axes.set(xlabel=f"time [{unit}]", ylabel="temperature [degC]")
        axes.set_xlim(0.0, (1.03 if duty is not None else 1.0) * trace.time[-1] / scale)
        over(axes, 4)

    shows = "Temperature of winding (solid) and housing (dashed) of each machine over time, with their limits"
    if duty is not None:
        shows += "; the bars on the right are the range of a cycle in the steady state"
    return Picture("heat", title, shows, answer.title, (10.5, 5.0), paint)
