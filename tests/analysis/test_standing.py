"""A run that begins at the steady state of the smooth bench, on a bench that has more slots."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from rigs import shipped, ticks
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.standing import standing_run
from shaftloop.bench.assemble import build_bench
from shaftloop_models.harmonics import Ripple
from shaftloop_models.power_meter import PowerMeter


@pytest.mark.compiled
def test_a_bench_with_ripple_and_a_power_meter_stands_where_the_smooth_one_does() -> None:
    plain = shipped("wheel-hub")
    drive = next(part for part in plain.line if part.name == plain.unit)
    rippled = replace(drive, ripple=(Ripple(order=6, amplitude=0.2),))
    meter = PowerMeter("pm", "load", sampling=Fraction(100), range=50e3)
    line = tuple(rippled if part is drive else part for part in plain.line)
    description = replace(plain, line=line, power_meter=(meter,))
    reference = HyperMap(description)
    point = operating_point(reference.bench)
    state = reference.steady(point)
    bench = build_bench(description)
    run = standing_run(bench, reference, state, point.setpoints, records=4000)
    assert len(run.state) > len(state)
    run.advance(ticks(run, 0.2))
    true = [channel.name for channel in bench.model.channels].index("true_torque")
    torque = run.recording[: run.records, true]
    # Noise and the edges of the encoder move it by about 1 N m; a wrong slot would throw it off by far more.
    assert np.mean(torque) == pytest.approx(point.torque, abs=0.5)
    assert np.ptp(torque) < 6.0
