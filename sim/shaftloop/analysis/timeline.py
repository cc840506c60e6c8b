"""What happened in a run in which something fails, trips or is taken away: in order, and how long each took.

Behind the end of the run the line turns on as `analysis.atend` says, and the link discharges through its
resistor alone, the grid away: V falls to 60 V in R·C·ln(V/60 V). The draw of inverters that idle, which
shortens that, is left out.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from shaftloop.analysis.atend import STILL, at_end, pieces
from shaftloop.analysis.simulation import Simulation
from shaftloop.bench.handles import Bench
from shaftloop.engine.events import OFF, Event
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.description import EmergencyStop, Grid, Trip

__all__ = ["SAFE", "Moment", "Timeline", "channels", "known_figures", "timeline", "timeline_figures"]

SAFE = 60.0
"""Voltage of a link below which it counts as discharged: common practice, no source. [V]"""
_GONE = 0.01
"""Share of the largest torque of a machine in the run below which it counts as gone."""
_BEGINS = ("failed", "lost", "sags", "tripped", "did_not_act", *OFF)


@dataclass(frozen=True)
class Moment:
    """Something at a time."""

    time: float
    """From the start of the run. [s]"""
    kind: str
    """As an event of the run, or ``torque_gone``, ``stands``, ``discharged``."""
    name: str = ""
    count: int = 1
    expected: bool = False
    """Whether it lies behind the end of the run."""


@dataclass(frozen=True)
class Timeline:
    """What happened, in order."""

    begin: float
    """What all else counts from: the first failure, else what made the first interlock trip. [s]"""
    moments: tuple[Moment, ...]
    figures: dict[str, Figure]


def timeline(simulation: Simulation) -> Timeline | None:
    """Return what happened in a run; nothing where nothing failed and nothing took the torque away."""
    events = simulation.events
    first = next((event for event in events if event.kind in _BEGINS), None)
    if first is None:
        return None
    begin = first.time
    if first.kind in ("tripped", "did_not_act"):
        seen = (e.time for e in events if (e.kind, e.name) == ("exceeded", first.name))
        begin = max(seen, default=begin)
    off = next((event for event in events if event.kind in OFF and event.time >= begin), None)
    gone = None if off is None else _gone(simulation, off.time)
    stands, turned = _stands(simulation, begin, gone)
    empty = _discharged(simulation)
    moments = [Moment(event.time, event.kind, event.name, event.count) for event in events]
    for time, kind in ((gone, "torque_gone"), (stands, "stands"), (empty, "discharged")):
        if time is not None:
            moments.append(Moment(time, kind, expected=time > simulation.duration))
    noticed = next((e for e in events if e.kind == "tripped" and e.time >= begin), None)
    at = simulation.duration if gone is None else gone
    values = {
        "noticed_after": _since(begin, noticed),
        "acted_after": _since(begin, off),
        "torque_gone_after": None if gone is None else gone - begin,
        "stands_after": None if stands is None else stands - begin,
        "turns": turned,
        "line_energy": _line_energy(simulation, at),
        "link_energy": _link_energy(simulation, at),
        "discharged_after": None if empty is None else empty - begin,
    }
    figures = {
        name: figure.found(values[name.removeprefix("timeline.")])
        for name, figure in by_name(_figures(simulation.bench)).items()
    }
    return Timeline(begin, tuple(sorted(moments, key=lambda moment: moment.time)), figures)


def known_figures(bench: Bench) -> Iterator[Figure]:
    """Yield what the timeline of a run says as metrics, not looked for yet, where something may happen."""
    stated = bench.description
    stops = any(isinstance(step, Trip | EmergencyStop | Grid) for step in stated.sequence)
    if stops or stated.fault or stated.limit:
        yield from _figures(bench)


def channels(bench: Bench) -> set[str]:
    """Return the names of the recorded channels from which the timeline of a bench is taken."""
    if not any(known_figures(bench)):
        return set()
    link = {"link_voltage"} if bench.link.ports is not None else set()
    return link | {f"{name}_{what}" for name in bench.machines for what in ("torque", "speed")}


def timeline_figures(simulation: Simulation) -> Iterator[Figure]:
    """Yield what the timeline of a run says as metrics."""
    found = timeline(simulation)
    for figure in known_figures(simulation.bench):
        nothing = "nothing fails and nothing takes the torque away"
        yield figure.absent(nothing) if found is None else found.figures[figure.name]


def _figures(bench: Bench) -> Iterator[Figure]:
    since = "from what failed first, or made an interlock trip,"
    never = "nothing takes the torque away"
    on = "the torque is not away, or no drag brakes the line: it would turn on"
    yield Figure("timeline.noticed_after", "s", f"{since} until an interlock trips", reason="none trips")
    yield Figure("timeline.acted_after", "s", f"{since} until the torque begins to go", reason=never)
    yield Figure(
        "timeline.torque_gone_after",
        "s",
        f"{since} until every machine stays below {100.0 * _GONE:.0f} % of its largest torque of the run",
        reason="the torque does not go in this run",
    )
    yield Figure(
        "timeline.stands_after", "s", f"{since} until the line stays below 1 rpm", reason=on, better="lower"
    )
    yield Figure("timeline.turns", "1", f"turns of the line {since} until then", reason=on, better="lower")
    when = "when the torque is gone, at the end of the run where it does not go"
    yield Figure("timeline.line_energy", "J", f"energy of what turns {when}")
    if bench.link.ports is not None:
        yield Figure("timeline.link_energy", "J", f"energy in the capacitor of the link {when}")
        yield Figure(
            "timeline.discharged_after",
            "s",
            f"{since} until the link, without the grid from the end of the run on, is below {SAFE:g} V",
            reason="nothing is stated that discharges the link: it keeps its voltage",
            better="lower",
        )


def _since(begin: float, event: Event | None) -> float | None:
    return None if event is None else event.time - begin


def _gone(simulation: Simulation, off: float) -> float | None:
    """Return the first record from which on no machine has torque any more [s]."""
    torques = [np.abs(simulation.traces[f"{name}_torque"]) for name in simulation.bench.machines]
    carry = np.any([torque > _GONE * np.max(torque, initial=0.0) for torque in torques], axis=0)
    return _last(simulation, carry, off)


def _last(simulation: Simulation, holds: np.ndarray, since: float) -> float | None:
    """Return the first record at or after a time behind the last one at which something holds [s]."""
    later = np.flatnonzero(holds)
    first = int(later[-1]) + 1 if later.size else 0
    first = max(first, int(np.searchsorted(simulation.time, since)))
    return float(simulation.time[first]) if first < len(simulation.time) else None


def _stands(simulation: Simulation, begin: float, gone: float | None) -> tuple[float | None, float | None]:
    """Return when the line stands [s], and its turns until then; nothing where it turns on."""
    speeds = np.abs(_speeds(simulation))
    time = simulation.time
    fastest = np.max(speeds, axis=0)
    stands, further = _last(simulation, fastest > STILL, begin), 0.0
    if stands is None:
        left = at_end(simulation)
        if gone is None or left.standing is None or left.run_on is None:
            return None, None
        stands, further = simulation.duration + left.standing, left.run_on
    from_then = time >= begin
    turned = float(np.trapezoid(fastest[from_then], time[from_then])) if from_then.any() else 0.0
    return stands, (turned + further) / (2.0 * math.pi)


def _speeds(simulation: Simulation) -> np.ndarray:
    """Return the speed of every machine, at the left end of the line, shape (machines, records) [rad/s]."""
    machines = simulation.bench.machines.items()
    return np.array([simulation.traces[f"{name}_speed"] / machine.node.pace for name, machine in machines])


def _line_energy(simulation: Simulation, time: float) -> float:
    """Return the energy of what turns, each piece as one body as fast as its machine [J]."""
    record = min(int(np.searchsorted(simulation.time, time)), len(simulation.time) - 1)
    speeds, machines = _speeds(simulation)[:, record], list(simulation.bench.machines.values())
    total, nodes = 0.0, simulation.bench.line.nodes
    for bodies in pieces(simulation):
        speed = next((s for s, machine in zip(speeds, machines, strict=True) if machine.body in bodies), 0.0)
        inertia = sum(nodes[body].inertia * nodes[body].pace ** 2 for body in bodies if not nodes[body].fixed)
        total += 0.5 * inertia * float(speed) ** 2
    return total


def _link_energy(simulation: Simulation, time: float) -> float | None:
    link = simulation.bench.link
    if link.ports is None:
        return None
    volts = float(np.interp(time, simulation.time, simulation.traces["link_voltage"]))
    return 0.5 * link.ports.supply.capacitance * volts**2


def _discharged(simulation: Simulation) -> float | None:
    """Return when the link is below `SAFE`, its grid away from the end of the run on [s]."""
    link = simulation.bench.link
    if link.ports is None:
        return None
    volts = simulation.traces["link_voltage"]
    low = _last(simulation, volts >= SAFE, 0.0)
    if low is not None:
        return low
    supply, left = link.ports.supply, float(simulation.run.state[link.ports.voltage.index])
    if supply.discharge_resistance is None:
        return None
    constant = supply.discharge_resistance * supply.capacitance
    return simulation.duration + constant * max(math.log(left / SAFE), 0.0)
