"""What logs of a real bench say."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from shaftloop.analysis.logs.frequency import LogResponse, ResponseDemand, measure_response
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.overlay import MeasuredRun, read_measurements
from shaftloop.answers.base import Answer, Found, Watch, unwatched
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import ScenarioError
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.logs.reading import read_log
from shaftloop.scenario.ratios import check_orders, order_text
from shaftloop.scenario.reading import Scenario
from shaftloop.scenario.restate import Restated
from shaftloop.studies.identification.changes import Change, Earlier, changes, earlier_fit, earlier_values
from shaftloop.studies.identification.fit import Fit, estimate
from shaftloop.studies.identification.free import read_free
from shaftloop.studies.identification.judge import Judgement, fit_share, judge
from shaftloop.studies.identification.problem import Estimate, Problem
from shaftloop.studies.identification.replay import Replay

__all__ = ["FitAnswer", "Judged", "ResponseAnswer", "find_fit", "find_response", "response"]

_NO_DEAD_TIME = "the output follows none of the last 64 inputs with certainty"


@dataclass(frozen=True)
class ResponseAnswer(Found):
    """The response between two columns of logs."""

    found: LogResponse

    @property
    def name(self) -> str:
        """Name of the first log without its ending."""
        return self.found.parts[0].log.path.stem

    @property
    def title(self) -> str:
        """What responds to what."""
        return f"{self.found.demand.output} over {self.found.demand.source}, {self.name}"

    @property
    def notes(self) -> tuple[str, ...]:
        """What was wrong with the logs."""
        return tuple(
            f"{part.log.label}: {sentence}" for part in self.found.parts for sentence in part.findings.said()
        )

    @property
    def figures(self) -> dict[str, Figure]:
        """Modes by number from the lowest, each with its 95 % interval, and the dead time."""
        figures = []
        resonances = self.found.resonances
        for i, mode in enumerate(resonances.modes if resonances else (), 1):
            for which, unit, what in (
                ("frequency", "Hz", "natural frequency"),
                ("damping", "1", "damping ratio"),
            ):
                low, high = mode.interval(which)
                value = mode.frequency if which == "frequency" else mode.damping
                name = f"{i}.{which}"
                figures += [
                    Figure(name, unit, f"{what} of mode {i}", value),
                    Figure(f"{name}_low", unit, "lower end of its 95 % interval", low),
                    Figure(f"{name}_high", unit, "upper end of its 95 % interval", high),
                ]
        figures += self._dead_time()
        return by_name(figures)

    def _dead_time(self) -> list[Figure]:
        figures = [
            Figure("dead_time", "s", "from the input to the first tenth of its effect", reason=_NO_DEAD_TIME),
            Figure("dead_time_low", "s", "from the input to its first certain effect", reason=_NO_DEAD_TIME),
            Figure("dead_time_high", "s", "the same as dead_time at its latest", reason=_NO_DEAD_TIME),
        ]
        dead, period = self.found.dead_time, self.found.period
        if dead is None:
            return figures
        lags = (dead.samples, dead.low, dead.high)
        return [figure.found(lag * period) for figure, lag in zip(figures, lags, strict=True)]


def find_response(
    logs: Sequence[Path], demand: ResponseDemand, options: Sequence[str] = ()
) -> ResponseAnswer:
    """Find the response between two columns of logs of one run.

    Several logs are brought onto the clock of the first by a channel that they share with it; options say how
    logs are to be read, ``key=value`` each, on top of their ``[log]`` tables.

    Raises
    ------
    ScenarioError
        Where a log cannot be read, a column is missing, or nothing moves.
    """
    return ResponseAnswer(measure_response([read_log(path, options) for path in logs], demand))


def response(
    logs: str | Path | Sequence[str | Path],
    source: str,
    output: str,
    *,
    log: Sequence[str] = (),
    **demand: Any,
) -> ResponseAnswer:
    """Return the response between two columns of logs, which needs no bench.

    Parameters
    ----------
    logs : str, Path or sequence of them
        Logs of one run.
    source, output : str
        Channels or headers of input and output.
    log : sequence of str
        How the logs are to be read, ``key=value`` each, on top of their ``[log]`` tables.
    **demand : object
        Further fields of `shaftloop.analysis.logs.frequency.ResponseDemand`, e.g. `reference`, `period`.

    Raises
    ------
    ScenarioError
        Where a log cannot be read, a column is missing, or nothing moves.
    """
    paths = [logs] if isinstance(logs, str | Path) else logs
    return find_response([Path(path) for path in paths], ResponseDemand(source, output, **demand), log)


@dataclass(frozen=True)
class Judged:
    """What the values that were found make of another run."""

    label: str
    """Of its log."""
    shares: dict[str, float]
    """Fit by channel, 1 is perfect. [1]"""

    @property
    def against(self) -> tuple[str, ...]:
        """Why it contradicts the bench."""
        return tuple(
            f"in {self.label} the bench explains {name} to {100.0 * share:.0f} % only: one set of values "
            "does not serve both"
            for name, share in self.shares.items()
            if share < _SERVES
        )


_SEEN = 0.1
"""Amplitude of an order over the noise of a column, from which it is named there."""
_SERVES = 0.5
"""Least fit of another run."""


@dataclass(frozen=True)
class FitAnswer(Answer):
    """A bench fitted to a log."""

    measurements: tuple[MeasuredRun, ...]
    replay: Replay
    fit: Fit
    judgement: Judgement
    judged: tuple[Judged, ...] = ()
    earlier: Earlier | None = None
    """What was found at an earlier date, where that was asked for."""
    changes: tuple[Change, ...] = ()
    """Against that date."""

    @property
    def changed(self) -> tuple[Change, ...]:
        """Values that have changed since that date beyond their uncertainty."""
        return tuple(change for change in self.changes if change.changed)

    @property
    def against(self) -> tuple[str, ...]:
        """Why the bench is contradicted; empty where it is not."""
        return (*self.judgement.against, *(reason for run in self.judged for reason in run.against))

    @property
    def names(self) -> list[str]:
        """Channels that were compared."""
        return [entry.column.channel for entry in self.replay.compared]

    @property
    def notes(self) -> tuple[str, ...]:
        """What was wrong with the logs, and where intervals say too little."""
        said = [
            f"{m.table.log.label}: {sentence}" for m in self.measurements for sentence in m.findings.said()
        ]
        said += self.replay.unmatched({entry.free.path for entry in self.fit.estimates})
        said += self._orders()
        if coarse := self._coarse_loops():
            said.append(
                f"{', '.join(coarse)}: closed on an encoder, the steps of which come back through it and "
                "are off in the fit: values may be off by more than their intervals say"
            )
        return tuple(said)

    def _orders(self) -> list[str]:
        """Return what was taken out by angle."""
        said, columns = [], self.replay.compared
        for order in self.fit.orders:
            sizes = zip(columns, order.amplitudes, self.fit.noise, strict=True)
            seen = [f"{c.column.channel} ({x:.3g} {c.unit})" for c, x, noise in sizes if x > _SEEN * noise]
            found = ", found in what is left," if order.found else ""
            where = ", ".join(seen) or "every column, where it is lost in the noise"
            said.append(f"order {order_text(order.order)} of {order.of}{found} is taken out of {where}")
            if order.fast:
                said[-1] += (
                    "; it or the speed changes fast, so that values may be off where it is a torque that "
                    "drives the line: put it into the scenario then, as cogging, and free amplitude and phase"
                )
        if gone := self.fit.swallowed:
            said.append(
                f"what tells {', '.join(gone)} lies at these orders and went with them: state what is known "
                "beforehand, PATH=VALUE ± TOLERANCE"
            )
        return said

    @property
    def told(self) -> tuple[Restated, ...]:
        """Values of the scenario that the log tells alone, with their intervals, as a file states them."""
        return tuple(
            _restated(entry, self.measurements[0].table.log.path.name)
            for entry in self.fit.estimates
            if entry.free.of_bench and not any(entry is other for other in self.judgement.unknown)
        )

    def _coarse_loops(self) -> list[str]:
        """Return the loops that are closed on an encoder, the steps of which the runs leave out."""
        description = self.scenario.description
        encoders = {part.name for part in description.readers("speed")}
        given = {played.loop for played in self.replay.played if played.way == "_command"}
        closed = [loop for loop in description.loop if loop.name not in given]
        return [f"loop {loop.name}" for loop in closed if description.origin(loop.reads) in encoders]

    @property
    def figures(self) -> dict[str, Figure]:
        """Values that were found by path, each with its 95 % interval, and the fit of every channel."""
        figures = []
        for entry in self.fit.estimates:
            path, unit = entry.free.path, entry.free.unit
            low, high = entry.interval
            blind = "nothing that was logged depends on it"
            for name, meaning, value in (
                (path, "value that was found", entry.value),
                (f"{path}_low", "lower end of its 95 % interval", low),
                (f"{path}_high", "upper end of its 95 % interval", high),
            ):
                figure = Figure(name, unit, meaning)
                known = low > -float("inf")
                figures.append(figure.found(value) if known else figure.absent(blind))
        judged = zip(self.names, self.judgement.shares, self.judgement.still, strict=True)
        for name, share, still in judged:
            meaning = "share of the motion that the bench explains where nothing was fitted"
            figure = Figure(f"fit.{name}", "1", meaning, better="higher")
            figures.append(figure.absent("nothing moves there") if still else figure.found(share))
        for change in self.changes:
            name, meaning = f"change.{change.path}", "since the earlier date"
            figures.append(Figure(name, change.unit, meaning, change.difference))
            seen = Figure(f"{name}_seen", change.unit, "least change that would have been told from none")
            figures.append(seen.found(change.seen))
        return by_name(figures)


def _restated(entry: Estimate, log: str) -> Restated:
    """Return a value with two digits more than its spread leaves."""
    free, deviation = entry.free, entry.deviation
    digits = 6 if not deviation else min(max(3 + int(math.log10(abs(entry.value) / deviation)), 4), 12)
    value, low, high = (f"{x:.{digits}g}" for x in (entry.value, *entry.interval))
    unit = "" if free.unit == "1" else f" {free.unit}"
    return Restated(
        free.path,
        f"{value}{unit}" if unit else float(value),
        f"in {log}, {low} to {high}{unit} (95 %), not measured alone",
    )


def find_fit(  # noqa: PLR0913  (all but three have defaults)
    scenario: Scenario,
    logs: Sequence[Path],
    free: Sequence[str],
    *,
    options: Sequence[str] = (),
    held_out: float = 0.3,
    lead: float = 0.0,
    orders: Sequence[float] = (),
    speed: str | None = None,
    others: Sequence[Path] = (),
    since: Path | None = None,
    watch: Watch = unwatched,
) -> FitAnswer:
    """Find values of a scenario from logs of a run.

    Parameters
    ----------
    scenario : Scenario
        The bench.
    logs : sequence of Path
        Of one run.
    free : sequence of str
        ``PATH``, ``PATH=START`` or ``PATH=START ± TOLERANCE`` each.
    options : sequence of str
        How the logs are to be read, ``key=value`` each, on top of their ``[log]`` tables.
    held_out : float
        Share of the log at its end that is kept out of the fit and judged.
    lead : float
        How long the first values of what is played are held before the log begins. [s]
    orders : sequence of float
        Periods per turn; they are taken out by angle, and strong ones that are found in what is left, too.
    speed : str, optional
        Channel or header of the speed, or the angle, of the shaft that the orders belong to; else the first
        speed of the logs.
    others : sequence of Path
        Logs of other runs, which are judged with the values that were found.
    since : Path, optional
        A log of an earlier date, or the fit.json of one, with which the values are compared.
    watch : callable
        Shows what is going on.

    Raises
    ------
    ScenarioError
        Where a log cannot be read or says nothing about what is free.
    SimulationError
        Where the bench cannot be run.
    """
    check_orders(orders)
    channels = {channel.name for channel in build_bench(scenario.description).model.channels}
    measurements = read_measurements(logs, options, channels)
    replay = Replay(scenario, measurements, lead)
    frees = read_free(scenario, free, replay.log_parameters())
    _check_length(scenario, replay)
    with watch("fitting the bench to the log") as progress:
        fit = estimate(replay, frees, held_out=held_out, orders=orders, speed=speed, progress=progress)
    names = [entry.column.channel for entry in replay.compared]
    played = [replay.played_at(entry.time) for entry in replay.compared]
    judgement = judge(fit, names, played)
    theta = [entry.theta for entry in fit.estimates]
    judged = []
    for path in others:
        # What belongs to the columns of the other log is not moved: only the bench is judged.
        other = Replay(scenario, read_measurements([path], _known(path, options), channels), lead)
        of = fit.orders[0].of if fit.orders else None
        problem = Problem(other, frees, 0.0, [order.order for order in fit.orders], of)
        shown = problem.shown([np.array(theta)])[0]
        shares = {
            entry.column.channel: fit_share(values + left, values)
            for entry, values, left in zip(other.compared, shown, problem.left(shown), strict=True)
        }
        judged.append(Judged(str(path), shares))
    earlier = None
    if since is not None and since.suffix == ".json":
        earlier = earlier_fit(since)
    elif since is not None:
        known = _known(since, options)
        same: dict[str, Any] = {"held_out": held_out, "lead": lead, "orders": orders, "speed": speed}
        before = find_fit(scenario, [since], free, options=known, **same, watch=watch)
        earlier = earlier_values(str(since), before.fit.estimates, bool(before.against))
    changed = () if earlier is None else changes(earlier, fit.estimates)
    return FitAnswer(scenario, tuple(measurements), replay, fit, judgement, tuple(judged), earlier, changed)


def _known(path: Path, options: Sequence[str]) -> Sequence[str]:
    """Return the options that a log of another run can have: its columns may be named otherwise."""
    return [option for option in options if not option.startswith("column.")] if _stated(path) else options


def _stated(path: Path) -> bool:
    return path.suffix == ".toml" or path.with_suffix(".toml").is_file()


def _check_length(scenario: Scenario, replay: Replay) -> None:
    """Refuse a log that is shorter than a period of the slowest mode."""
    modes = find_modes(mechanics(build_bench(scenario.description, smooth=True)))
    slowest = min((mode.frequency for mode in modes if mode.frequency > 0.0), default=None)
    # A run may go on behind the log: only what was logged counts.
    first = min(float(entry.time[0]) for entry in replay.compared)
    length = max(float(entry.time[-1]) for entry in replay.compared) - first
    if slowest is not None and length * slowest < 1.0:
        raise ScenarioError(
            [
                f"the log is {length:.3g} s long, less than a period of the slowest mode "
                f"({1.0 / slowest:.3g} s): record for longer"
            ]
        )
