"""What is rare and irregular: the test sequence and the interlocks, as SimPy processes around the kernel.

The kernel runs from event to event. It never passes an event: it stops at the first instant at or after it,
before the tasks of that instant, so set-points and trips act at the first tick of their readers. SimPy
counts in whole ticks.
"""

from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import simpy

from shaftloop.engine import at
from shaftloop.engine.compiled.setpoints import RAMP, TRACE, profile_value
from shaftloop.engine.events import SEQUENCE, Action, Event, Interlock, Move, Settle, Trip, Wait
from shaftloop.engine.locate import crossings
from shaftloop.engine.model import Condition, Fault, Segment
from shaftloop.engine.position import Saved
from shaftloop.engine.run import Run

__all__ = ["Trail", "advance_plainly", "lay_out", "run_bench", "thermal_stops"]

_STOPS = 256
"""Of a trail, evenly over the run."""

_Process = Generator[simpy.Event, Any, None]


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
    above: list[bool] = field(default_factory=list)
    """Per guard: its side of its level, now."""
    seen: list[bool] = field(default_factory=list)
    """Per guard: its side at the start of the stretch."""
    stops: set[int] = field(default_factory=set)
    """Ticks at which the plant changes: the kernel stands exactly there."""
    precise: set[int] = field(default_factory=set)
    """Guards at whose very tick the run must stand, since the plant may change there."""
    ended: int | None = None
    healthy: bool = True
    asleep: set[str] = field(default_factory=set)
    """Interlocks that do not act."""

    def note(self, kind: str, name: str) -> None:
        if not name:
            return
        tick = int(self.env.now)
        self.events.append(Event(tick, self.run.clock.seconds(tick), kind, name))

    def pause(self, seconds: Fraction) -> simpy.Event:
        return self.env.timeout(self.run.clock.ticks_up(seconds))

    def begin(self, interlocks: Sequence[Interlock]) -> None:
        """Start all processes; at one tick what fails comes first."""
        run, guards = self.run, self.run.model.guards
        self.signals, self.above = [self.env.event() for _ in guards], [False for _ in guards]
        for fault in run.model.faults:
            self.env.process(self.fail(fault))
            if fault.when is None and self.abrupt(fault):
                self.stops.add(run.clock.ticks_up(fault.at))
        self.env.process(self.warm())
        self.env.process(self.sequence())
        for interlock in interlocks:
            self.env.process(self.watch(interlock))

    def abrupt(self, action: Trip | Fault) -> bool:
        """Return whether the plant changes at the very tick of an action: its equations or what it is fed."""
        if isinstance(action, Trip):
            return False
        plant = self.run.model.plant
        held = range(len(plant.a), len(plant.a) + plant.b.shape[1])
        return action.plant is not None or any(slot in held for slot, _ in action.shows)

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
            calm = self.env.event() if self.above[action.guard] else self.pause(action.dwell)
            yield self.signals[action.guard] | calm | end
            if calm.processed:
                break
        self.note("not_settled" if end.processed else "settled", action.name)
        self.arm(action.guard, False)

    def met(self, condition: Condition, name: str = "", exact: bool = False) -> _Process:
        """Wait until a condition is met; with a name note when its level is exceeded."""
        guard, below = condition.guard, condition.below
        self.arm(guard, True, condition.outside)
        if exact:
            self.precise.add(guard)
        while self.above[guard] if condition.outside else below and not self.above[guard]:
            yield self.signals[guard]
        while True:
            if self.above[guard] == below:
                yield self.signals[guard]
                continue
            self.note("exceeded", name)
            counted = self.pause(condition.debounce)
            if exact:
                self.stops.add(int(self.env.now) + self.run.clock.ticks_up(condition.debounce))
            yield counted if condition.debounce == 0 else self.signals[guard] | counted
            if counted.processed:
                break
            self.note("cleared", name)
        self.arm(guard, False)

    def watch(self, interlock: Interlock) -> _Process:
        """Act once the condition of an interlock has been met, unless it is asleep."""
        abrupt = self.abrupt(interlock.action)
        yield from self.met(interlock.condition, interlock.name, abrupt)
        if abrupt:
            self.stops.add(int(self.env.now) + self.run.clock.ticks_up(interlock.reaction))
        if interlock.name not in self.asleep:
            self.note("tripped", interlock.name)
            yield self.pause(interlock.reaction)
        if interlock.name in self.asleep:
            self.note("did_not_act", interlock.name)
        elif isinstance(interlock.action, Trip):
            self.trip(interlock.action.ramp, interlock.name)
        else:
            self.run.fail(interlock.action)
            self.healthy = False
            self.note(interlock.action.name, interlock.name)

    def fail(self, fault: Fault) -> _Process:
        """Let something fail at its time or condition, and be over again where it does not last."""
        if fault.when is not None:
            yield from self.met(fault.when, exact=self.abrupt(fault))
        else:
            yield self.pause(fault.at)
        since = ((*place, float(self.env.now)) for place in fault.since)
        fault = replace(fault, numbers=(*fault.numbers, *since))
        self.run.fail(fault)
        self.healthy = False
        self.asleep.add(fault.asleep)
        self.note("failed", fault.name)
        for guard, spec in enumerate(self.run.model.guards):
            if self.run.idles(spec.task) and not self.above[guard]:
                self.run.state[self.run.model.guard_slot + 2 * guard] = 1.0
                self.env.process(self._fire(guard, 0, True))
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
        """Advance what warms up, thermal tick by thermal tick, and look at what its guards watch."""
        heating = self.run.heating
        while heating is not None:
            yield self.env.timeout(heating.period)
            self.run.warm()
            for guard, spec in enumerate(self.run.model.guards):
                if spec.task == at.ELSEWHERE and spec.beyond(self.read(guard)) != self.above[guard]:
                    self.env.process(self._fire(guard, 0, not self.above[guard]))

    def read(self, guard: int) -> float:
        read, state, plant = self.run.model.guards[guard].read, self.run.state, self.run.model.plant
        if isinstance(read, int):
            return float(state[read])
        return float(state[read.index] if read.kind == "state" else plant.signal(read, state))

    def arm(self, guard: int, armed: bool, looks: bool = False) -> None:
        """Switch a guard on, as if it had looked last, or off; one of the plant looks if told.

        What stands idle is beyond any level: a loop that is stalled does not settle.
        """
        slot = self.run.model.guard_slot + 2 * guard
        self.run.state[slot + 1] = float(armed)
        spec = self.run.model.guards[guard]
        if armed and (looks or isinstance(spec.read, int)):
            self.run.state[slot] = float(self.run.idles(spec.task) or spec.beyond(self.read(guard)))
        self.above[guard] = bool(self.run.state[slot])

    def look(self) -> list[bool]:
        """Return on which side of their level guards are where the kernel stands."""
        first = self.run.model.guard_slot
        return [bool(self.run.state[first + 2 * guard]) for guard in range(len(self.signals))]

    def changes(self) -> list[tuple[int, int, bool]]:
        """Return what guards saw in the last stretch: tick, guard, and whether it is above from there on."""
        run, found = self.run, []
        for guard, (spec, before, now) in enumerate(
            zip(run.model.guards, self.seen, self.look(), strict=True)
        ):
            if spec.task >= 0 and before != now:
                found.append((run.position.tick, guard, now))
            elif spec.task == at.ALWAYS and run.state[run.model.guard_slot + 2 * guard + 1]:
                found += [(tick, guard, above) for tick, above in crossings(run, guard, before)]
        return sorted(found, key=lambda change: change[0])

    def toggled(self, begin: Saved) -> None:
        """Fire the signals of the guards that changed in the last stretch, each at its tick.

        Where the plant may change at one of them, the run goes back and stands there.
        """
        run, changes = self.run, self.changes()
        back = min((tick for tick, guard, _ in changes if guard in self.precise), default=run.position.tick)
        if back < run.position.tick:
            run.restore(begin)
            run.advance(back, exact=True)
        for tick, guard, above in (change for change in changes if change[0] <= back):
            run.state[run.model.guard_slot + 2 * guard] = float(above)
            self.env.process(self._fire(guard, max(tick - int(self.env.now), 0), above))

    def _fire(self, guard: int, delay: int, above: bool) -> _Process:
        yield self.env.timeout(delay)
        self.above[guard] = above
        signal, self.signals[guard] = self.signals[guard], self.env.event()
        signal.succeed()


def advance_plainly(run: Run, end: int) -> None:
    """Run a bench whose sequence has been laid out to its end [tick], stopping at thermal ticks only."""
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
    supervisor.begin(interlocks)
    guarded = bool(run.model.guards)
    laying = trail is not None and not trail.stops
    stretch = max(end // _STOPS, 1) if laying else 2 * run.clock.ticks_per_second
    while supervisor.ended is None:
        due = env.peek()
        if due <= min(run.position.tick, end):
            env.step()
            continue
        if run.position.tick >= end:
            break
        due = min(due, run.position.tick + stretch) if progress or laying else due
        final = due >= end or run.next_instant(int(due)) > end
        exact = final or due in supervisor.stops
        to = end if final else int(due)
        # What the kernel would pass on its way to the instant behind an event.
        between = [tick for tick in supervisor.stops if run.position.tick < tick < run.next_instant(to)]
        if between:
            to, exact = min(between), True
        if trail and supervisor.healthy and not laying:
            trail.follow(run, to)
        supervisor.seen, begin = supervisor.look(), run.save()
        toggled = run.advance(to, exact=exact, guarded=guarded)
        if toggled:
            supervisor.toggled(begin)
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
