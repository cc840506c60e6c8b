"""Where the line resonates: its modes, and the speeds at which something excites them."""

from dataclasses import dataclass

from shaftloop.analysis.interference import Interference, interference
from shaftloop.analysis.modes import Mechanics, Mode, find_modes
from shaftloop.analysis.tangent import line_at
from shaftloop.answers.base import Answer
from shaftloop.bench.assemble import build_bench
from shaftloop.cautions import cautions
from shaftloop.figures import Figure
from shaftloop.scenario.reading import Scenario
from shaftloop.studies.figures import mode_figures

__all__ = ["ModesAnswer", "find_line_modes"]


@dataclass(frozen=True)
class ModesAnswer(Answer):
    """Modes of a bench and where excitations meet them."""

    line: Mechanics
    modes: tuple[Mode, ...]
    interference: Interference
    tangent: str = ""
    """At which point springs count that are not linear; empty where all are."""

    @property
    def notes(self) -> tuple[str, ...]:
        """Where springs count that are not linear."""
        return (self.tangent,) if self.tangent else ()

    @property
    def cautions(self) -> tuple[str, ...]:
        """Not to dwell where something resonates."""
        return cautions("resonance") if self.interference.meetings else ()

    @property
    def figures(self) -> dict[str, Figure]:
        """Frequency and damping of every mode, e.g. ``1.frequency``."""
        return mode_figures(self.modes)


def find_line_modes(
    scenario: Scenario, speed: float | None = None, torque: float | None = None
) -> ModesAnswer:
    """Return the modes of a line and where excitations meet them.

    At a speed [rad/s], and the torque at the main sensor on which springs depend that are not linear [N m];
    else those of the sequence.
    """
    line, point, note = line_at(scenario.description, speed, torque)
    modes, bench = find_modes(line), build_bench(scenario.description, smooth=True)
    return ModesAnswer(scenario, line, modes, interference(bench, modes, point.speed), note)
