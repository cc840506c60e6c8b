"""Runs: recording, divergence, compilation."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numba
import numpy as np
import pytest

from rigs import shipped, smooth_bench, start, ticks
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import SimulationError
from shaftloop.kernels import decorators

HERE = Path(__file__).parents[1]

_PROGRAM = """
import json, sys
sys.path.insert(0, sys.argv[1])
import numba
from rigs import shipped, start, ticks
from shaftloop.bench.assemble import build_bench
result = {"interpreted": bool(numba.config.DISABLE_JIT)}
for name in ("reference-bench", "wheel-hub"):
    bench = build_bench(shipped(name, *json.loads(sys.argv[2])[name]))
    run = start(bench)
    run.advance(ticks(run, 3e-3), exact=True)
    slots = bench.model.peak_slot
    result[name] = [run.state[:slots].tolist(), run.recording[: run.records].tolist()]
print(json.dumps(result))
"""

SETTINGS = {
    "reference-bench": ["sequence.0.over=50 ms", "sequence.1.rise=1 ms"],
    "wheel-hub": ["sequence.0.over=20 ms"],
}


@pytest.mark.compiled
def test_interpreted_kernels_give_the_same_numbers() -> None:
    """The twin without compilation: checked access and NumPy's products."""
    words = [sys.executable, "-c", _PROGRAM, str(HERE), json.dumps(SETTINGS)]
    environment = {
        **os.environ,
        "NUMBA_DISABLE_JIT": "1",
        "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
    }
    done = subprocess.run(words, env=environment, capture_output=True, text=True, check=True)
    known = json.loads(done.stdout)
    assert known["interpreted"] and not numba.config.DISABLE_JIT
    for name, settings in SETTINGS.items():
        bench = build_bench(shipped(name, *settings))
        run = start(bench)
        run.advance(ticks(run, 3e-3), exact=True)
        state, recording = (np.array(values) for values in known[name])
        assert np.allclose(run.state[: bench.model.peak_slot], state, rtol=1e-9, atol=1e-9)
        assert np.allclose(run.recording[: run.records], recording, rtol=1e-9, atol=1e-9)
        assert np.abs(run.recording[: run.records]).max() > 1.0


def test_full_recording_ends_the_run() -> None:
    run = start(build_bench(shipped("reference-bench")), records=5)
    with pytest.raises(SimulationError, match="the recording is full") as caught:
        run.advance(ticks(run, 1e-2))
    assert "lower rate" in caught.value.advice
    assert run.records == 5


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.parametrize("method", ["etd4", "rk4"])
def test_state_beyond_all_bounds_ends_the_run(method: str) -> None:
    run = start(smooth_bench("reference-bench"), method=method)
    run.state[0] = 1e20
    with pytest.raises(SimulationError, match=r"the bench diverged at t = 0\.0001 s") as caught:
        run.advance(ticks(run, 1e-2))
    assert "lower the gains" in caught.value.advice


def test_kernels_are_plain_functions_without_compilation(monkeypatch: pytest.MonkeyPatch) -> None:
    def double(x: float) -> float:
        return 2.0 * x

    monkeypatch.setenv("NUMBA_DISABLE_JIT", "1")
    assert decorators.kernel(double) is double
