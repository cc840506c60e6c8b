"""A loop that is slow beside its rate: gains found far below those at which it gets unstable."""

import numpy as np
import pytest

from rigs import coupling, describe, disc, servo, speed_loop
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.tolerance import Corner
from shaftloop.studies.tuning.tune import tune

pytestmark = pytest.mark.compiled

LAG = 25.0
"""Of the machine, which turns 1 kg m^2; its loop ticks at 20 kHz. [s]"""


def test_a_loop_of_hours_on_a_quick_controller_is_tuned() -> None:
    machine = servo("m", 1.0, time_constant=f"{LAG} s", rate="20 kHz")
    line = [machine, coupling("c", 1e4, damping="0.1 N m s/rad"), disc("dummy", 1e-9)]
    loop = speed_loop("m", 0.25, 0.0, rate="20 kHz", clamp="1000 N m")
    bench = describe({"line": line, "loop": [loop], "duration": "1 s"})
    tuning = tune([Corner("nominal", bench)], TuningDemand(("speed",)))
    found = tuning.loops["speed"]
    assert tuning.recommended and found.chosen.design is not None
    kp, ki = (gain.value for gain in (found.chosen.design.loop.kp, found.chosen.design.loop.ki))
    # Next to 25 s a tick of 50 µs is nothing: 1 + L of the continuous loop tells.
    roots = np.roots([LAG, 1.0, kp, ki])
    assert np.all(roots.real < 0.0) and np.max(np.abs(roots)) < 0.1
    s = 2j * np.pi * np.geomspace(1e-4, 1.0, 20001)
    loop_gain = (kp + ki / s) / (s * (LAG * s + 1.0))
    ms, mt = np.max(1.0 / np.abs(1.0 + loop_gain)), np.max(np.abs(loop_gain / (1.0 + loop_gain)))
    assert ms <= 1.6 * (1.0 + 1e-5) and mt <= 1.4 * (1.0 + 1e-5)
    assert max(ms / 1.6, mt / 1.4) > 0.999, "a bound holds it back"
    assert found.chosen.design.figures.ms.value == pytest.approx(ms, rel=1e-4)
