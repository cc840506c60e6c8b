"""Integer time and the table of instants.

A tick is 1 ns divided by the smallest integer that makes every period, phase and latency whole. Tasks
are periodic; the pattern of instants repeats after the hyperperiod, the common period of all tasks.
"""

import math
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from shaftloop.errors import SimulationError

__all__ = ["Clock", "Instants", "Timing", "instants"]

_FINEST = 1000
_MOST_INSTANTS = 200_000


@dataclass(frozen=True)
class Clock:
    """The length of a tick."""

    ticks_per_second: int

    @staticmethod
    def common(times: Iterable[Fraction]) -> "Clock":
        """Return the clock on which every given period, phase and latency [s] is a whole number of ticks.

        Raises
        ------
        SimulationError
            Where the tick would be finer than 1 ps.
        """
        divisor = 1
        for time in times:
            divisor = math.lcm(divisor, time.denominator // math.gcd(time.denominator, 10**9))
            if divisor > _FINEST:
                raise SimulationError(
                    f"{float(time):.12g} s makes the common tick finer than 1 ps",
                    "choose rates and latencies with a common period, such as 4, 8 and 12 kHz",
                )
        return Clock(10**9 * divisor)

    def ticks(self, seconds: Fraction) -> int:
        """Return a time as ticks; it must be whole."""
        ticks, rest = divmod(seconds.numerator * self.ticks_per_second, seconds.denominator)
        if rest:
            message = f"{float(seconds):.12g} s is no whole number of ticks"
            raise SimulationError(message, "build the clock from all times in use")
        return ticks

    def ticks_up(self, seconds: Fraction) -> int:
        """Return a time as ticks, rounded up."""
        return math.ceil(seconds * self.ticks_per_second)

    def seconds(self, ticks: int) -> float:
        """Return ticks as a time [s]."""
        return ticks / self.ticks_per_second


@dataclass(frozen=True)
class Timing:
    """When a task runs, in ticks."""

    period: int
    phase: int
    priority: int
    """Lower runs first at one instant; equal ones in the order of the list."""


@dataclass(frozen=True)
class Instants:
    """The instants of one hyperperiod and the tasks due at each."""

    hyperperiod: int
    """[tick]"""
    ticks: tuple[int, ...]
    """Rising, the first is 0. [tick]"""
    due: tuple[tuple[int, ...], ...]
    """Numbers of the tasks due at each instant, in the order they run."""

    def gaps(self) -> tuple[int, ...]:
        """Return the length from each instant to the next [tick]."""
        ends = (*self.ticks[1:], self.hyperperiod)
        return tuple(end - start for start, end in zip(self.ticks, ends, strict=True))

    def at_or_after(self, tick: int) -> int:
        """Return the first instant at or after a tick [tick]."""
        turns, rest = divmod(tick, self.hyperperiod)
        place = bisect_left(self.ticks, rest)
        inside = self.ticks[place] if place < len(self.ticks) else self.hyperperiod
        return turns * self.hyperperiod + inside

    def before(self, tick: int) -> int:
        """Return the last instant before a tick [tick]."""
        turns, rest = divmod(tick - 1, self.hyperperiod)
        return turns * self.hyperperiod + self.ticks[bisect_left(self.ticks, rest + 1) - 1]


@lru_cache(maxsize=8)
def instants(tasks: tuple[Timing, ...], ticks_per_second: int) -> Instants:
    """Return the table of instants of tasks, which is kept.

    Raises
    ------
    SimulationError
        Where the pattern is too long for a table.
    """
    hyperperiod = math.lcm(*(task.period for task in tasks))
    count = sum(hyperperiod // task.period for task in tasks)
    if count > _MOST_INSTANTS:
        repeats = f"only after {hyperperiod / ticks_per_second:.6g} s ({count} task runs)"
        raise SimulationError(
            f"the pattern of all rates repeats {repeats}",
            "choose rates with a shorter common period, such as 4, 8 and 12 kHz",
        )
    due: dict[int, list[int]] = {0: []}
    order = sorted(range(len(tasks)), key=lambda number: (tasks[number].priority, number))
    for number in order:
        task = tasks[number]
        for tick in range(task.phase % task.period, hyperperiod, task.period):
            due.setdefault(tick, []).append(number)
    ticks = tuple(sorted(due))
    return Instants(hyperperiod, ticks, tuple(tuple(due[tick]) for tick in ticks))
