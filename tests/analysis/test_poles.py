"""Poles of the closed bench: the frequency at which each really oscillates, not the folded one."""

import numpy as np
import pytest

from rigs import shipped
from shaftloop.analysis.modes import find_modes, mechanics
from shaftloop.analysis.poles import closed_poles
from shaftloop.analysis.worstcase import LoopAnalysis, analyse_loops
from shaftloop.scenario.description import Description

pytestmark = pytest.mark.compiled


def analysed(description: Description) -> LoopAnalysis:
    return analyse_loops(description, ["torque"])["torque"]


@pytest.mark.parametrize("name", ["truck-axle", "micro-spindle"])
def test_modes_beyond_half_the_rate_of_the_hyperperiod_have_their_own_frequency(name: str) -> None:
    found = analysed(shipped(name))
    poles = closed_poles(found.bench, found.state)
    told = [pole.frequency for pole in poles if pole.frequency is not None]
    folding = 0.5 / found.bench.hyperperiod
    beyond = [m.frequency for m in find_modes(mechanics(found.bench.bench)) if m.frequency > folding]
    assert beyond
    for free in beyond:
        assert min(abs(frequency / free - 1.0) for frequency in told) < 1e-3
        folded = abs(free - 2.0 * folding * round(free / (2.0 * folding)))
        assert min(abs(frequency / folded - 1.0) for frequency in told if frequency > 0.0) > 0.01
    for pole in poles:
        assert pole.rate == pytest.approx(-np.log(abs(pole.eigenvalue)) / found.bench.hyperperiod)
        if pole.frequency is not None:
            turned = np.exp(2j * np.pi * pole.frequency * found.bench.hyperperiod)
            assert min(abs(turned - v / abs(v)) for v in (pole.eigenvalue, np.conj(pole.eigenvalue))) < 1e-9


@pytest.mark.parametrize("stiffness", [2.0, 1.8])
def test_a_mode_that_turns_too_far_between_two_instants_is_told_by_its_vector(stiffness: float) -> None:
    """Folded it lies near 0 and near half the rate of the hyperperiod."""
    settings = ("line.c1.stiffness=900 kN m/rad", f"line.ts.stiffness={stiffness} MN m/rad")
    description = shipped("reference-bench", *settings)
    found = analysed(description)
    free = [mode.frequency for mode in find_modes(mechanics(found.bench.bench))]
    gaps = found.bench.run.tables.calendar.gaps()
    assert free[-1] * max(gaps) / found.bench.run.clock.ticks_per_second > 0.9
    told = [pole.frequency for pole in closed_poles(found.bench, found.state) if pole.frequency is not None]
    assert min(abs(frequency / free[-1] - 1.0) for frequency in told) < 1e-3
