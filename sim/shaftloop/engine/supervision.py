"""What is rare and irregular: the test sequence and the interlocks, as SimPy processes around the kernel.

The kernel runs from event to event. It never passes an event: it stops at the first instant at or after it,
before the tasks of that instant, so set-points and trips act at the first tick of their readers. SimPy
counts in whole ticks.
"""

from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import simpy

from shaftloop.engine.locate import locate_crossing
from shaftloop.engine.model import Fault, Segment
from shaftloop.engine.position import Saved
from shaftloop.engine.run import Run
from shaftloop.engine.setpoints import RAMP, TRACE, profile_value

__all__ = [
    "OFF",
    "SEQUENCE",
    "Action",
    "End",
    "Event",
    "Interlock",
    "Move",
    "Settle",
    "Trail",
    "Trip",
    "Wait",
    "advance_plainly",
    "lay_out",
    "run_bench",
    "thermal_stops",
]

SEQUENCE = "sequence"
"""Whose event it is where a step of the sequence made it."""
OFF = ("torque_off", "ramp_down")
"""Events at which the torque begins to go."""

_STOPS = 256
"""Of a trail, evenly over the run."""

_Process = Generator[simpy.Event, Any, None]


@dataclass(frozen=True)
class Move:
    """Start a new piece of a set-point profile."""

    profile: int
    kind: int
    counts: tuple[Fraction, ...] = ()
    """Durations [s], or the number of a trace."""
    values: tuple[float, ...] = ()
    """As in `engine.setpoints`; a ramp states its end only."""
    event: tuple[str, str] | None = None
    """Kind and name of the event that it is, where it is one."""


@dataclass(frozen=True)
class Wait:
    """Let time pass."""

    seconds: Fraction
    """[s]"""


@dataclass(frozen=True)
class Settle:
    """Wait until an error has stayed inside its bound for a time."""

    name: str
    guard: int
    """Guard on the error; its level is the bound."""
    dwell: Fraction
    """[s]"""
    timeout: Fraction
    """[s]"""


@dataclass(frozen=True)
class Trip:
    """Take the torque away."""

    ramp: Fraction
    """Time over which the torque commands go to zero; 0 at once. [s]"""


@dataclass(frozen=True)
class End:
    """End the run."""


Action = Move | Wait | Settle | Trip | End


@dataclass(frozen=True)
class Interlock:
    """A limit that trips the bench."""

    name: str
    guard: int
    debounce: Fraction
    """[s]"""
    reaction: Fraction
    """[s]"""
    ramp: Fraction
    """Time over which the torque commands go to zero; 0 at once. [s]"""


@dataclass(frozen=True)
class Event:
    """Something that happened in a run."""

    tick: int
    time: float
    """[s]"""
    kind: str
    """``broke_loose``, ``came_to_rest``, ``exceeded``, ``cleared``, ``tripped``, ``did_not_act``,
    ``torque_off``, ``ramp_down``, ``settled``,
    ``not_settled``, ``failed``, ``restored``, ``ended``; of the grid ``lost``, ``sags``, ``returned``; of the
    inverters ``blocked_by_undervoltage``."""
    name: str
    """Body, interlock, loop that is waited for, fault, ``grid``, ``inverters``, or `SEQUENCE`."""
    count: int = 1
    """How often it happened, at `time` first."""


@dataclass
class Trail:
    """Where a run stopped on its way: runs that are like it so far go on from there, with the same bits."""

    stops: dict[int, Saved] = field(default_factory=dict)
    """By tick, in its order."""
    toggles: list[int] = field(default_factory=list)
    """Ticks at which a guard ended a stretch: a run crosses them itself."""

    def keep(self, run: Run, toggled: bool) -> None:
        """Note where a run that lays the trail has stopped."""
        if toggled:
            self.toggles.append(run.position.tick)
        elif run.position.gap < 0:
            self.stops[run.position.tick] = run.save()

    def follow(self, run: Run, to: int) -> None:
        """Take a run as far towards a tick as the trail leads it."""
        here = run.position.tick
        last = min([to, *(tick - 1 for tick in self.toggles if tick > here)])
        near = max((tick for tick in self.stops if here < tick <= last), default=None)
        if near is not None:
            run.restore(self.stops[near])


@dataclass
class _Supervisor:
    run: Run
    actions: Iterable[Action]
    env: simpy.Environment = field(default_factory=lambda: simpy.Environment(initial_time=0))
    events: list[Event] = field(default_factory=list)
    signals: list[simpy.Event] = field(default_factory=list)
    """Per guard: fires when it toggles."""
    ended: int | None = None
    healthy: bool = True
    asleep: set[str] = field(default_factory=set)
    """Interlocks that do not act."""

    def note(self, kind: str, name: str) -> None:
        tick = int(self.env.now)
        self.events.append(Event(tick, self.run.clock.seconds(tick), kind, name))

    def pause(self, seconds: Fraction) -> simpy.Event:
        return self.env.timeout(self.run.clock.ticks_up(seconds))

    def sequence(self) -> _Process:
        """Carry out the actions one after the other."""
        for action in self.actions:
            if isinstance(action, Move):
                self.run.add_segment(action.profile, _segment(self.run, action, int(self.env.now)))
                if action.event is not None:
                    self.note(*action.event)
            elif isinstance(action, Wait):
                yield self.pause(action.seconds)
            elif isinstance(action, Settle):
                yield from self.settle(action)
            elif isinstance(action, Trip):
                self.trip(action.ramp, SEQUENCE)
            else:
                self.ended = int(self.env.now)
                self.note("ended", SEQUENCE)
                return

    def settle(self, action: Settle) -> _Process:
        """Wait until the error has stayed inside, or the time is up."""
        end = self.pause(action.timeout)
        self.arm(action.guard, True)
        while not end.processed:
            calm = self.env.event() if self.above(action.guard) else self.pause(action.dwell)
            yield self.signals[action.guard] | calm | end
            if calm.processed:
                break
        self.note("not_settled" if end.processed else "settled", action.name)
        self.arm(action.guard, False)

    def watch(self, interlock: Interlock) -> _Process:
        """Trip the bench once a guard has stayed above for the debounce time."""
        self.arm(interlock.guard, True)
        while True:
            if not self.above(interlock.guard):
                yield self.signals[interlock.guard]
                continue
            self.note("exceeded", interlock.name)
            counted = self.pause(interlock.debounce)
            yield counted if interlock.debounce == 0 else self.signals[interlock.guard] | counted
            if counted.processed:
                break
            self.note("cleared", interlock.name)
        if interlock.name in self.asleep:
            self.note("did_not_act", interlock.name)
            self.arm(interlock.guard, False)
            return
        self.note("tripped", interlock.name)
        yield self.pause(interlock.reaction)
        if interlock.name in self.asleep:
            self.note("did_not_act", interlock.name)
        else:
            self.trip(interlock.ramp, interlock.name)
        self.arm(interlock.guard, False)

    def fail(self, fault: Fault) -> _Process:
        """Let something fail at its time, and be over again where it does not last."""
        yield self.pause(fault.at)
        self.run.fail(fault)
        self.healthy = False
        self.asleep.add(fault.asleep)
        self.note("failed", fault.name)
        if fault.until is not None:
            yield self.pause(fault.until - fault.at)
            self.run.mend(fault)
            self.note("restored", fault.name)

    def trip(self, ramp: Fraction, name: str) -> None:
        """Take the torque away from this tick on; of several trips the one counts by which it is gone first.

        A ramp that is to end before one that is under way goes on from what that has left of the torque.
        """
        first = self.run.model.trip_slot
        start, length = self.run.state[first : first + 2]
        now, over = int(self.env.now), self.run.clock.ticks_up(ramp)
        if start >= 0.0 and now + over >= start + length:
            return
        left = 1.0 if start < 0.0 else (start + length - now) / length
        self.run.state[first : first + 2] = now + over - over / left, over / left
        self.note("torque_off" if ramp == 0 else "ramp_down", name)

    def warm(self) -> _Process:
        """Advance what warms up, thermal tick by thermal tick."""
        heating = self.run.heating
        while heating is not None:
            yield self.env.timeout(heating.period)
            self.run.warm()

    def above(self, guard: int) -> bool:
        return bool(self.run.state[self.run.model.guard_slot + 2 * guard])

    def arm(self, guard: int, armed: bool) -> None:
        """Switch a guard on, as if it had looked last, or off."""
        slot = self.run.model.guard_slot + 2 * guard
        self.run.state[slot + 1] = float(armed)
        spec = self.run.model.guards[guard]
        if armed and isinstance(spec.read, int):
            self.run.state[slot] = float(abs(self.run.state[spec.read]) > spec.level)

    def toggled(self, before: Sequence[float]) -> None:
        """Fire the signals of the guards that changed in the last stretch, each at its tick."""
        run, slot = self.run, self.run.model.guard_slot
        for guard, spec in enumerate(run.model.guards):
            if run.state[slot + 2 * guard] != before[guard]:
                tick = run.position.tick if spec.task >= 0 else locate_crossing(run, guard)
                self.env.process(self._fire(guard, max(tick - int(self.env.now), 0)))

    def _fire(self, guard: int, delay: int) -> _Process:
        yield self.env.timeout(delay)
        signal, self.signals[guard] = self.signals[guard], self.env.event()
        signal.succeed()


def advance_plainly(run: Run, end: int) -> None:
    """Run a bench whose sequence has been laid out to its end, stopping at thermal ticks only.

    Parameters
    ----------
    end : int
        Last tick. [tick]
    """
    for tick in thermal_stops(run, end):
        run.advance(tick)
        run.warm()
    run.advance(end, exact=True)
    run.warm()


def thermal_stops(run: Run, end: int) -> Iterator[int]:
    """Yield the instants of the thermal ticks of a run before its end [tick]."""
    for tick in () if run.heating is None else run.heating.ticks(end):
        stop = run.next_instant(tick)
        if stop <= end:
            yield stop


def lay_out(run: Run, actions: Sequence[Action]) -> None:
    """Write the whole of an unconditional sequence into the set-point profiles, before the run."""
    now = 0
    for action in actions:
        if isinstance(action, Move):
            run.add_segment(action.profile, _segment(run, action, now))
        elif isinstance(action, Wait):
            now += run.clock.ticks_up(action.seconds)


def run_bench(
    run: Run,
    actions: Iterable[Action],
    interlocks: Sequence[Interlock],
    end: int,
    progress: Callable[[float], None] | None = None,
    trail: Trail | None = None,
) -> list[Event]:
    """Run a bench through its sequence and return what happened.

    Parameters
    ----------
    actions : iterable of Action
        The sequence; what yields it is asked for the next action once the one before is done.
    interlocks : sequence of Interlock
        The limits.
    end : int
        Last tick; the run ends earlier at an `End`. [tick]
    progress : callable, optional
        Called now and then with the share of the run that is done.
    trail : Trail, optional
        Of a run of the same bench with the same sequence and limits, which this one follows until something
        fails; an empty one is laid.
    """
    supervisor = _Supervisor(run, actions)
    env = supervisor.env
    supervisor.signals = [env.event() for _ in run.model.guards]
    for fault in run.model.faults:
        env.process(supervisor.fail(fault))
    breaks = {run.clock.ticks_up(fault.at) for fault in run.model.faults if fault.plant is not None}
    env.process(supervisor.warm())
    env.process(supervisor.sequence())
    for interlock in interlocks:
        env.process(supervisor.watch(interlock))
    guarded = bool(run.model.guards)
    slot = run.model.guard_slot
    laying = trail is not None and not trail.stops
    stretch = max(end // _STOPS, 1) if laying else 2 * run.clock.ticks_per_second
    while supervisor.ended is None:
        due = env.peek()
        if due <= min(run.position.tick, end):
            env.step()
            continue
        if run.position.tick >= end:
            break
        before = [run.state[slot + 2 * guard] for guard in range(len(run.model.guards))]
        due = min(due, run.position.tick + stretch) if progress or laying else due
        final = due >= end or run.next_instant(int(due)) > end
        exact = final or due in breaks
        to = end if final else int(due)
        if trail and supervisor.healthy and not laying:
            trail.follow(run, to)
        toggled = run.advance(to, exact=exact, guarded=guarded)
        if toggled:
            supervisor.toggled(before)
        if trail and laying:
            trail.keep(run, toggled)
        if progress:
            progress(run.position.tick / end)
    if supervisor.ended is not None:
        run.advance(supervisor.ended, exact=True)
    run.warm()
    return supervisor.events


def _segment(run: Run, move: Move, now: int) -> Segment:
    """Return the profile piece of a move that starts now; a ramp starts from the set-point of this moment."""
    counts = tuple(int(c) if move.kind == TRACE else run.clock.ticks_up(c) for c in move.counts)
    values = move.values
    if move.kind == RAMP:
        values = (float(profile_value(run.tables.it, run.tables.ft, move.profile, now)), *move.values)
    return Segment(now, move.kind, counts, values)
