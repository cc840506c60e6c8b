"""The run of a log once more in the simulator, with any values of the free parameters.

Columns that play take the place of the set-points or commands that they show; the others are compared at
their own instants. Noise and rounding are off: they say nothing of the bench; their share is what is left.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.logs.clocks import Clock, compare_clocks, shared_clock
from shaftloop.analysis.overlay import MeasuredRun
from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.assemble import build_bench
from shaftloop.bench.parts.part import make_part
from shaftloop.bench.sequence import longest_time
from shaftloop.control.parameters import Loop
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.scenario.description import Description, Trace
from shaftloop.scenario.fields import nearest
from shaftloop.scenario.logs.reading import Column
from shaftloop.scenario.reading import Scenario, Variants
from shaftloop.studies.identification.columns import drawn, held, measured
from shaftloop.studies.identification.free import Free
from shaftloop_models.parameters import Delay, Gain

__all__ = ["Compared", "Replay"]

Array = NDArray[np.float64]

Theta = Sequence[float] | Array
"""How far every free parameter is moved."""
_WAYS = ("_setpoint", "_command")
_FINER = 4.0
_FINEST = 20_000.0
"""Highest rate of recording. [Hz]"""


@dataclass(frozen=True)
class Compared:
    """A column that is compared with its channel."""

    column: Column
    label: str
    """Of its log."""
    unit: str
    """SI unit of the channel."""
    time: Array
    """Of the bench before the clock is moved, shape (rows,). [s]"""
    measured: Array
    """In `unit`, shape (rows,)."""
    movable: bool
    """Whether its clock is not that of what is played."""


@dataclass(frozen=True)
class _Played:
    column: Column
    loop: str
    way: str
    time: Array
    values: Array
    """[N m] or [rad/s]"""


class Replay:
    """Runs of a bench as a log has it.

    Parameters
    ----------
    scenario : Scenario
        The bench.
    measurements : sequence of Measurement
        Logs of one run; the first that plays, else the first, is the one whose clock counts.
    lead : float
        How long the first values of what is played are held before the log begins. [s]
    """

    def __init__(self, scenario: Scenario, measurements: Sequence[MeasuredRun], lead: float = 0.0) -> None:
        self.scenario, self.lead = scenario, lead
        self._variants = Variants(scenario)
        bench = build_bench(scenario.description)
        self._units = {channel.name: channel.unit for channel in bench.model.channels}
        self.periods = sorted({float(task.period) for task in bench.model.tasks if task.priority > 0})
        """Of the tasks of the bench. [s]"""
        plays = [any(c.stated.plays for c in m.table.columns) for m in measurements]
        first = plays.index(True) if any(plays) else 0
        self.played: list[_Played] = []
        self.compared: list[Compared] = []
        self.left_out: list[str] = []
        self.clocks: dict[str, Clock] = {}
        self._apart: dict[str, list[list[str]]] = {}
        base = measurements[first]
        self.logs = ", ".join(measurement.table.log.label for measurement in measurements)
        """Names of the logs, for messages."""
        self._reference = base.table.log.label
        self._origin = float(base.table.time[0]) if any(plays) else 0.0
        for number, measurement in enumerate(measurements):
            time = measurement.table.time
            if number != first:
                clock = shared_clock(base.table, measurement.table)
                if clock is None:
                    shown = [c for c in measurement.table.columns if c.channel in self._units]
                    ways = [[f"log.{column.header}.late" for column in shown]]
                    # A clock that is free moves all logs alike but the one that plays.
                    ways += [["log.clock"]] if any(plays) and len(measurements) == 2 else []
                    self._apart[measurement.table.log.label] = ways
                else:
                    self.clocks[measurement.table.log.label] = clock
                    time = clock.moved(time)
            self._take(
                measurement,
                time - self._origin + (lead if any(plays) else 0.0),
                number != first or not any(plays),
            )
        # A loop whose command is played has no set-point to compare.
        idle = [f"{played.loop}_setpoint" for played in self.played if played.way == "_command"]
        self.left_out += [c.column.channel for c in self.compared if c.column.channel in idle]
        self.compared = [c for c in self.compared if c.column.channel not in idle]
        if not self.compared:
            known = ", ".join(self._units)
            hint = nearest(self.left_out[0], self._units) if self.left_out else ""
            raise ScenarioError(
                [
                    f"{base.table.log.label}: no column shows a channel of the bench{hint}; "
                    f"channels are: {known}"
                ]
            )
        self.end = max(float(c.time[-1]) for c in self.compared)
        length = longest_time(scenario.description)
        if not any(plays) and np.isfinite(length):
            self.end = max(self.end, length)  # a clock of its own may move the log by much
        self.rate = _usual(min(_FINEST, max(_FINER * rate for rate in self._rates(measurements))))
        """Of the records of a run, a straight line between them and so finer than the log. [Hz]"""

    def log_parameters(self) -> dict[str, tuple[str, bool]]:
        """Return what is free about the logs, by path: its unit, and whether a run depends on it."""
        movable = any(entry.movable for entry in self.compared)
        found = {"log.clock": ("s", False), "log.drift": ("1", False)} if movable else {}
        units = [(c.column, c.unit, False) for c in self.compared]
        units += [(p.column, self._units.get(p.column.channel, "N m"), True) for p in self.played]
        for column, unit, played in units:
            found[f"log.{column.header}.gain"] = "1", played
            found[f"log.{column.header}.zero"] = unit, played
            found[f"log.{column.header}.late"] = "s", played
        return found

    def unmatched(self, free: set[str]) -> list[str]:
        """Return which logs keep a clock of their own that nothing tells.

        Parameters
        ----------
        free : set of str
            Paths of the free parameters.
        """
        return [
            f"{label}: no column shows the same channel as one of {self._reference}, so its times are "
            "taken as stamped: name such a pair alike by log.column.channel, or free "
            + ", or ".join(" and ".join(way) for way in ways)
            for label, ways in self._apart.items()
            if ways[0] and not any(free.issuperset(way) for way in ways)
        ]

    def _rates(self, measurements: Sequence[MeasuredRun]) -> list[float]:
        stated = self.scenario.description.record.rate
        found = [1.0 / float(np.median(np.diff(m.table.time))) for m in measurements]
        return [*found, *([] if stated is None else [float(stated)])]

    def _take(self, measurement: MeasuredRun, time: Array, movable: bool) -> None:
        table = measurement.table
        self.left_out += [c.channel for c in table.log.columns if c not in table.columns]
        for column, values in zip(table.columns, table.values.T, strict=True):
            there = np.isfinite(values)
            if not there.any():
                continue
            if column.stated.plays:
                self.played.append(self._play(measurement, column, time, values))
                continue
            unit = self._units.get(column.channel)
            if unit is None:
                self.left_out.append(column.channel)
                continue
            shown = measured(table.log, column, unit, time, values)
            there = np.isfinite(shown)
            self.compared.append(Compared(column, table.log.label, unit, time[there], shown[there], movable))

    def _play(self, measurement: MeasuredRun, column: Column, time: Array, values: Array) -> _Played:
        """Return what a column plays."""
        log, loops = measurement.table.log, {loop.name: loop for loop in self.scenario.description.loop}
        ways = {f"{name}{way}": (name, way) for name in loops for way in _WAYS}
        if column.channel not in ways:
            raise ScenarioError(
                [
                    f"{log.label}: column {column.header} plays {column.channel}, which is "
                    f"no set-point or command of a loop{nearest(column.channel, ways)}; "
                    f"write one of: {', '.join(ways)}"
                ]
            )
        name, way = ways[column.channel]
        values = measured(log, column, self._units.get(column.channel, "N m"), time, values)
        time, values = time[np.isfinite(values)], values[np.isfinite(values)]
        if column.stated.held:
            time, values = held(time, values)
        return _Played(column, name, way, time, values)

    def played_at(self, time: Array) -> list[Array]:
        """Return what is played at some instants.

        Parameters
        ----------
        time : ndarray, shape (rows,)
            Of the bench. [s]
        """
        return [np.interp(time, played.time, played.values) for played in self.played]

    def described(self, frees: Sequence[Free], theta: Theta) -> Description:
        """Return the bench at values of the free parameters, with what is played.

        Parameters
        ----------
        frees : sequence of Free
            Free parameters.
        theta : sequence of float
            How far they are moved.
        """
        settings = [free.setting(x) for free, x in zip(frees, theta, strict=True) if free.of_bench]
        description = self._variants.read(settings)
        changes = _of_logs(frees, theta)
        line = []
        for part in description.line:
            for entry in make_part(part).imperfections():
                part = entry.change(part) if entry.scatters else part
            line.append(part)
        rate = self.rate
        end = Fraction(np.ceil(self.end * float(rate)) + 2) / rate
        loops = list(description.loop)
        given = {played.loop for played in self.played if played.way == "_command"}
        steps = []
        for played in self.played:
            gain = changes.get(f"log.{played.column.header}.gain", 1.0)
            zero = changes.get(f"log.{played.column.header}.zero", 0.0)
            values = tuple((gain * played.values + zero).tolist())
            time = played.time - changes.get(f"log.{played.column.header}.late", 0.0)
            inside = time > 0.0
            values = (float(np.interp(0.0, time, values)), *np.array(values)[inside].tolist())
            time = np.concatenate(([0.0], time[inside]))
            steps.append(Trace("trace", played.loop, "", "", False, tuple(time.tolist()), values))
            if played.way == "_command":
                number = next(i for i, loop in enumerate(loops) if loop.name == played.loop)
                loops[number] = _passed_on(loops[number])
        return replace(
            description,
            line=tuple(line),
            loop=tuple(loops),
            hop=tuple(hop for hop in description.hop if description.origin(hop.name) not in given),
            sequence=tuple(steps) if steps else description.sequence,
            duration=end,
            record=replace(description.record, rate=rate),
            limit=(),
            expect=(),
        )

    def runs(self, frees: Sequence[Free], thetas: Sequence[Theta]) -> Iterator[Simulation]:
        """Yield runs at several values of the free parameters, side by side.

        Parameters
        ----------
        frees : sequence of Free
            Free parameters.
        thetas : sequence of sequence of float
            How far they are moved, per run.

        Raises
        ------
        SimulationError
            Where one of them fails.
        """
        wanted = {entry.column.channel for entry in self.compared}
        described = (self.described(frees, theta) for theta in thetas)
        for outcome in simulate_many(described, channels=lambda bench: wanted):
            run = outcome.simulation
            if run is None:
                raise outcome.error or SimulationError("a run failed")
            # Traces of runs side by side are one piece of memory.
            yield replace(run, traces={name: trace.copy() for name, trace in run.traces.items()})

    def clock_start(self, frees: Sequence[Free], theta: Array) -> Array:
        """Return θ with a free clock where the bench, as it is there, tells it roughly.

        Parameters
        ----------
        frees : sequence of Free
            Free parameters.
        theta : ndarray, shape (parameters,)
            How far they are moved.
        """
        theta = theta.copy()
        paths = [free.path for free in frees]
        if "log.clock" not in paths:
            return theta
        run = next(self.runs(frees, [theta]))
        for entry in self.compared:
            if not entry.movable or entry.column.stated.rate_over is not None:
                continue
            trace = _trace(run, entry.column.channel, smooth=True)
            try:
                clock = compare_clocks(*trace, entry.time, entry.measured, entry.column.channel)
            except ScenarioError:
                continue
            middle = 0.5 * (entry.time[0] + entry.time[-1])
            drift = clock.drift if "log.drift" in paths else 0.0
            offset = clock.offset + drift * (middle - clock.middle)
            found = {"log.clock": offset, "log.drift": drift}
            for i, free in enumerate(frees):
                if free.path in found:
                    theta[i] = (found[free.path] - free.start) / free.scale
            return theta
        return theta

    def seen(self, run: Simulation, frees: Sequence[Free], theta: Theta, smooth: bool = False) -> list[Array]:
        """Return what a run shows of every compared column, as the log would have it.

        Parameters
        ----------
        run : Simulation
            From `runs`.
        frees : sequence of Free
            Free parameters.
        theta : sequence of float
            How far they are moved.
        smooth : bool
            Whether it is for a derivative by something that moves in time.
        """
        changes = _of_logs(frees, theta)
        found = []
        for entry in self.compared:
            time = entry.time
            if entry.movable:
                middle = 0.5 * (time[0] + time[-1])
                time = time + changes.get("log.clock", 0.0) + changes.get("log.drift", 0.0) * (time - middle)
            time = time - changes.get(f"log.{entry.column.header}.late", 0.0)
            at, trace = _trace(run, entry.column.channel, smooth)
            over = entry.column.stated.rate_over
            if over is not None:
                angle = np.concatenate(([0.0], np.cumsum(0.5 * (trace[1:] + trace[:-1]) * np.diff(at))))
                half = 0.5 * float(over)
                shown = np.interp(time + half, at, angle) - np.interp(time - half, at, angle)
                shown /= 2.0 * half
            else:
                shown = np.interp(time, at, trace)
            gain = changes.get(f"log.{entry.column.header}.gain", 1.0)
            shown = gain * shown + changes.get(f"log.{entry.column.header}.zero", 0.0)
            found.append(np.abs(shown) if entry.column.stated.size_only else shown)
        return found


def _of_logs(frees: Sequence[Free], theta: Theta) -> dict[str, float]:
    """Return what is free about the logs, by path."""
    return {free.path: free.value(x) for free, x in zip(frees, theta, strict=True) if not free.of_bench}


def _trace(run: Simulation, name: str, smooth: bool) -> tuple[Array, Array]:
    """Return corners of a channel of a run: times [s] and values."""
    model = run.bench.model
    channel = next(channel for channel in model.channels if channel.name == name)
    return drawn(run.time, run.traces[name], model.held(channel), smooth)


def _usual(rate: float) -> Fraction:
    """Return a rate near one or above it that shares a tick with the usual ones."""
    decade = Fraction(10) ** int(np.floor(np.log10(rate)))
    return next(step * decade for step in (1, 2, 4, 5, 8, 10, 20) if float(step * decade) > 0.95 * rate)


def _passed_on(loop: Loop) -> Loop:
    """Return a loop that passes its set-point on as the command that is active."""
    return replace(
        loop,
        kp=Gain(0.0, loop.kp.unit),
        ki=Gain(0.0, loop.ki.unit),
        kd=Gain(0.0, loop.kd.unit),
        feedforward=1.0,
        clamp=1e9,
        setpoint_rate=None,
        setpoint_filter=None,
        filters=(),
        active_damping=None,
        disturbance_observer=None,
        predictor=None,
        output_latency=Delay(Fraction(0)),
    )
