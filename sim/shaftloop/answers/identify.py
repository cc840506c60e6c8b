"""What logs of a real bench say."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from shaftloop.analysis.logs.frequency import Demand, LogResponse, measure_response
from shaftloop.answers.base import Found
from shaftloop.figures import Figure, by_name
from shaftloop.scenario.logs.reading import read_log

__all__ = ["ResponseAnswer", "find_response"]

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


def find_response(logs: Sequence[Path], demand: Demand, options: Sequence[str] = ()) -> ResponseAnswer:
    """Find the response between two columns of logs.

    Parameters
    ----------
    logs : sequence of Path
        Of one run; several are brought onto the clock of the first by a channel that they share with it.
    demand : Demand
        What is asked for.
    options : sequence of str
        How the logs are to be read, ``key=value`` each, on top of their ``[log]`` tables.

    Raises
    ------
    ScenarioError
        Where a log cannot be read, a column is missing, or nothing moves.
    """
    return ResponseAnswer(measure_response([read_log(path, options) for path in logs], demand))
