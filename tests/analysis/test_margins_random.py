"""Margins of random small benches, lightly damped ones among them: what is stated must be true."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rigs import Table, describe, sensor, servo, speed_loop, torque_loop
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.margins import Margins, loop_margins
from shaftloop.analysis.openloop import spectral_radius
from shaftloop.analysis.operating import operating_point

pytestmark = pytest.mark.compiled


def logarithmic(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(math.log(low), math.log(high)).map(math.exp)


@dataclass(frozen=True)
class Rig:
    inertias: tuple[float, float]
    stiffness: float
    zeta: float
    kp: float
    ki: float
    loop_rate: int
    sampling: int
    latency: int

    def document(self) -> Table:
        (left, right), k = self.inertias, self.stiffness
        first = math.sqrt(k * (1.0 / left + 1.0 / right))
        damping = 2.0 * self.zeta * k / first
        drag = {"viscous": "0.01 N m s/rad"}
        machine = {"time_constant": "0.4 ms", "rate": "8 kHz", "drag": drag, "max_speed": "3000 rpm"}
        sampled = {"sampling": f"{self.sampling} Hz", "latency": f"{self.latency} samples"}
        line = [
            servo("drive", left, **machine),
            sensor("ts", k, damping=f"{damping} N m s/rad", **sampled),
            servo("load", right, **machine),
        ]
        rate = f"{self.loop_rate} Hz"
        gains = {"kp": self.kp, "ki": f"{self.ki} 1/s", "feedforward": 0.0, "output_latency": "1 sample"}
        speed = speed_loop("drive", 20.0 * left, 40.0 * left, rate=rate)
        loops = [speed, torque_loop("load", "ts", rate=rate, anti_windup="conditional", **gains)]
        return {"line": line, "loop": loops, "sequence": [{"do": "hold", "time": "0.1 s"}]}


rigs = st.builds(
    Rig,
    st.tuples(logarithmic(1e-3, 1.0), logarithmic(1e-3, 1.0)),
    logarithmic(1e3, 1e5),
    logarithmic(3e-4, 0.2),
    st.sampled_from([0.0, 0.05, 0.3]),
    logarithmic(1.0, 300.0),
    st.sampled_from([2000, 4000]),
    st.sampled_from([4000, 8000, 10000]),
    st.integers(0, 6),
)


def analyse(rig: Rig) -> tuple[HyperMap, np.ndarray, list[Margins]]:
    bench = HyperMap(describe(rig.document()))
    point = operating_point(bench.bench, speed=60.0, torque=0.0)
    state = bench.steady(point)
    return bench, state, [loop_margins(bench, loop, point, state) for loop in bench.bench.loops.values()]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(rigs)
def test_what_is_stated_is_true(rig: Rig) -> None:
    bench, state, found = analyse(rig)
    whole = spectral_radius(bench.dynamics(state))
    for margins in found:
        assert margins.largest_eigenvalue == pytest.approx(whole, abs=1e-8)
        for factor in (margins.gain_margin, margins.gain_margin_down):
            reach = factor or (1e3 if factor is margins.gain_margin else 1e-3)
            if factor is not None:
                assert spectral_radius(margins.system.closed(factor)) == pytest.approx(1.0, abs=1e-6)
            # Nowhere on the way does stability change, not even within the width of a resonance.
            for gain in np.geomspace(1.0, reach, 40)[1:-1]:
                assert (spectral_radius(margins.system.closed(gain)) < 1.0) == margins.stable
        if margins.stable:
            check_guarantees(margins)


def check_guarantees(margins: Margins) -> None:
    """E5.6: GM >= Ms/(Ms - 1) and PM >= 2·asin(1/(2·Ms)), from memory (Åström and Murray)."""
    least_gain = margins.ms / (margins.ms - 1.0)
    least_phase = 2.0 * math.degrees(math.asin(0.5 / margins.ms))
    if margins.fundamental_gain_margin is not None:
        assert margins.fundamental_gain_margin >= least_gain * (1.0 - 1e-4)
    for crossing in margins.crossings:
        if crossing.kind == "gain":
            assert abs(crossing.value) >= least_phase * (1.0 - 1e-4)


def test_a_resonance_of_damping_3e_4_sets_the_margin() -> None:
    """An ordinary grid steps over it and sees a margin many times too large."""
    rig = Rig((0.05, 0.02), 2e4, 3e-4, 0.0, 4.0, 4000, 8000, 2)
    _, _, found = analyse(rig)
    margins = next(m for m in found if m.loop == "torque")
    assert margins.gain_margin is not None
    assert spectral_radius(margins.system.closed(margins.gain_margin)) == pytest.approx(1.0, abs=1e-9)
    narrow = [c for c in margins.crossings if c.kind == "phase" and c.value < 2.0 * margins.gain_margin]
    assert narrow and 100.0 < narrow[0].frequency < 400.0
