"""The relay experiment on a bench."""

import numpy as np
import pytest

from rigs import coupling, describe, sensor, servo, speed_loop, torque_loop
from shaftloop.studies.tuning.plant import bench_plants
from shaftloop.studies.tuning.relay import limit_cycle, relay_on_bench
from testplants import relay_on_plant

pytestmark = pytest.mark.compiled


def test_at_exactly_zero_error_the_relay_starts_all_the_same() -> None:
    """At rest without noise or drag nothing moves; then the cycle is that of the relay on the plant."""
    slow = {"time_constant": "2 ms", "rate": "2 kHz"}
    line = [
        servo("drive", 0.6, **slow),
        coupling("c", 4000.0, damping="5 N m s/rad", inertia_right="0.01 kg m^2"),
        sensor("ts", 4e5, damping="1 N m s/rad", sampling="2 kHz", latency="1 ms"),
        servo("load", 0.05, **slow),
    ]
    timing = {"rate": "1 kHz", "output_latency": "1 sample"}
    torque = torque_loop("load", "ts", kp=0.05, ki="20 1/s", feedforward=0.0, **timing)
    loops = [speed_loop("drive", 20.0, 100.0, **timing), torque]
    bench = describe({"line": line, "loop": loops, "duration": "1 s"})
    found = relay_on_bench(bench, "torque", 5.0, 0.5)
    (plant,) = bench_plants(bench, "torque")
    expected = relay_on_plant(plant, 5.0, 0.5)
    assert found is not None and expected is not None
    assert found.period == pytest.approx(expected.period, rel=1e-3)
    assert found.amplitude == pytest.approx(expected.amplitude, rel=1e-3)


def test_the_period_is_finer_than_the_samples() -> None:
    """A sine of 23.7 samples: its rises are found between them."""
    time = np.arange(400.0)
    found = limit_cycle(time, np.sin(2.0 * np.pi * (time + 0.3) / 23.7), 5.0)
    assert found is not None
    assert found.period == pytest.approx(23.7, rel=1e-4)
    assert found.amplitude == pytest.approx(1.0, rel=1e-2)
