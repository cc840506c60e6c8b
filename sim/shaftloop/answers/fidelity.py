"""How far the torque reading is from the torque of the unit under test."""

import cmath
import math
from dataclasses import dataclass, replace

from shaftloop.analysis.fidelity.aliasing import Aliasing, aliasing
from shaftloop.analysis.fidelity.correction import Correction, correction
from shaftloop.analysis.fidelity.encoder import EncoderFigures, encoder_figures
from shaftloop.analysis.fidelity.figures import figures
from shaftloop.analysis.fidelity.misalignment import CouplingError, crooked_parts, misalignment
from shaftloop.analysis.fidelity.transfer import Fidelity, fidelity
from shaftloop.analysis.operating import rest_note
from shaftloop.analysis.simulation import Simulation, simulate
from shaftloop.analysis.sineresponse import check_frequency
from shaftloop.answers.base import Answer
from shaftloop.errors import SimulationError
from shaftloop.figures import Figure
from shaftloop.scenario.reading import Scenario

__all__ = ["FidelityAnswer", "TorqueAt", "Wishes", "find_fidelity", "with_run"]


@dataclass(frozen=True)
class Wishes:
    """What is asked for beyond the scenario."""

    speed: float | None = None
    """Operating speed; else that of the sequence. [rad/s]"""
    torque: float | None = None
    """Operating torque; else that of the sequence. [N m]"""
    orders: tuple[float, ...] = ()
    """Further orders of ripple, periods per turn."""
    ripple: float | None = None
    """Amplitude of orders for which the scenario states none. [N m]"""
    level: float | None = None
    """What a folded line should stay below: [N m], or the share of the rated torque where `relative`."""
    relative: bool = False
    inertia_error: float = 0.02
    """Of the corrected inertia. [1]"""
    window: float | None = None
    """Over which the encoder is differentiated; else by its noise. [s]"""
    clock: float | None = None
    """Rate of a timer of edges. [Hz]"""
    turn_error: float = 0.0
    """Angle error of the encoder once per turn. [rad]"""
    crosstalk: float | None = None
    """Reading of the sensor per bending moment. [1]"""
    lever: float = 0.0
    """From a misaligned coupling to the measuring section. [m]"""
    at: tuple[float, ...] = ()
    """Frequencies at which amplitude and phase are stated. [Hz]"""


@dataclass(frozen=True)
class TorqueAt:
    """What becomes of a sine of the torque of the unit on its way to the reading."""

    frequency: float
    """[Hz]"""
    mechanical: complex
    """True torque per torque of the unit, relative to slow torques. [1]"""
    signal: complex
    """Reading per true torque, relative to slow torques. [1]"""

    @property
    def amplitude(self) -> float:
        """Reading per torque of the unit, relative to slow torques [1]."""
        return abs(self.mechanical * self.signal)

    @property
    def phase(self) -> float:
        """Of the reading against the torque of the unit, negative where it is late [deg]."""
        return math.degrees(cmath.phase(self.mechanical) + cmath.phase(self.signal))


@dataclass(frozen=True)
class FidelityAnswer(Answer):
    """All that was found about a reading."""

    found: Fidelity
    aliasing: Aliasing
    correction: Correction
    encoders: tuple[EncoderFigures, ...]
    misalignment: tuple[CouplingError, ...] = ()
    at: tuple[TorqueAt, ...] = ()
    """What becomes of a torque at the frequencies asked for."""
    simulation: Simulation | None = None
    """A run of the scenario; None where none was asked for or it failed."""
    no_run: str = ""
    """Why the run that was asked for failed."""

    @property
    def figures(self) -> dict[str, Figure]:
        """Every single figure by name."""
        return figures(self.found, self.correction)

    @property
    def notes(self) -> tuple[str, ...]:
        """What limits the meaning of the figures."""
        unstable = (
            "the bench is unstable with its loops closed: sizes of folded lines are those with the commands "
            "held"
        )
        rest = rest_note(self.scenario.description, [self.found.point.speed])
        found = (*([unstable] if self.found.closed is None else []), *([rest] if rest else []))
        return (*found, *self._left_out(), *self.folds)

    @property
    def folds(self) -> tuple[str, ...]:
        """What sampling folds into the torque loop: ripple, and the largest line of joints and couplings."""
        # What parts make together stands behind each of them.
        orders = {round(o.frequency, 9): (e.coupling, o) for e in self.misalignment for o in e.orders}
        lines = [(line, name, o) for name, o in orders.values() if (line := o.received) is not None]
        folded = [
            entry
            for entry in lines
            if entry[0].size > self.aliasing.level and entry[0].frequency < (1.0 - 1e-9) * entry[2].frequency
        ]
        if not folded:
            return self.aliasing.warnings
        line, name, order = max(folded, key=lambda entry: entry[0].size)
        text = (
            f"order {order.order} of {name}, {order.frequency:.4g} Hz, reaches the torque loop as "
            f"{line.size:.3g} N m at {line.frequency:.4g} Hz"
        )
        return (*self.aliasing.warnings, text)

    def _left_out(self) -> list[str]:
        """Return what turns with the shaft, and so has no frequency where the bench stands still."""
        turning = [part.name for part in crooked_parts(self.found)]
        if any(ripple.ripple.demanded for ripple in self.aliasing.orders):
            turning.insert(0, f"the ripple of {self.found.unit}")
        if self.found.point.speed or not turning:
            return []
        names = ", ".join(turning)
        return [
            f"orders have no frequency at rest, so what {names} would add to the reading at a speed is left "
            "out: look at it at a speed, too"
        ]


def find_fidelity(scenario: Scenario, wishes: Wishes | None = None) -> FidelityAnswer:
    """Return how far the torque reading is from the torque of the unit under test.

    Raises
    ------
    ScenarioError
        Where the sensor is too slow for a frequency that is asked for.
    SimulationError
        Where a limit prevents the operating point.
    """
    wishes, description = wishes or Wishes(), scenario.description
    found = fidelity(description, wishes.speed, wishes.torque)
    for frequency in wishes.at:
        check_frequency(frequency, found.sampling, f"sensor {found.sensor.name}")
    rated, level = found.sensor.rated, wishes.level
    if level is not None and wishes.relative:
        level *= rated
    encoders = tuple(
        encoder_figures(part, found.turning(part.name), wishes.clock, wishes.turn_error)
        for part in description.readers("speed")
    )
    bench, point = found.bench, found.point
    return FidelityAnswer(
        scenario,
        found,
        aliasing(found, wishes.orders, wishes.ripple, level),
        correction(description, bench, point, 1e-3 * rated, wishes.inertia_error, wishes.window),
        encoders,
        misalignment(found, wishes.crosstalk, wishes.lever),
        tuple(TorqueAt(f, found.mechanical_at(f), found.signal_at(f)) for f in wishes.at),
    )


def with_run(answer: FidelityAnswer) -> FidelityAnswer:
    """Return an answer with a run of the scenario beside it, or with why there is none."""
    try:
        return replace(answer, simulation=simulate(replace(answer.scenario.description, duty=None)))
    except SimulationError as error:
        return replace(answer, no_run=error.message)
