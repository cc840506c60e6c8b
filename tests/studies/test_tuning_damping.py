"""Active damping in the tuner, and the error area that the search goes by."""

from dataclasses import replace

import numpy as np
import pytest

from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.bench.assemble import build_bench
from shaftloop.control.parameters import ActiveDamping, Loop
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.tuning.bounds import Bounds
from shaftloop.studies.tuning.closedloop import ClosedLoop, close, closed_loop
from shaftloop.studies.tuning.controller import controller_of, with_gains
from shaftloop.studies.tuning.damping import speeds_across
from shaftloop.studies.tuning.errorarea import error_area
from shaftloop.studies.tuning.family import best_of_family
from shaftloop.studies.tuning.figures import command_noise, noise_gain, sensitivity_peaks
from shaftloop.studies.tuning.outcome import excursion
from shaftloop.studies.tuning.plant import bench_plants, loop_named, with_loop
from shaftloop.studies.tuning.search import Search
from shaftloop.studies.tuning.structures import STRUCTURES


@pytest.fixture(scope="module")
def reference() -> Description:
    return read_scenario("reference-bench").description


def damped(description: Description, gain: float) -> Loop:
    loop = loop_named(description, "torque")
    return replace(loop, active_damping=ActiveDamping(gain, "drive", "load", 40.0))


@pytest.mark.parametrize("gain", [0.5, 3.0])
def test_a_damped_loop_is_that_of_the_exact_margins(reference: Description, gain: float) -> None:
    """Two routes: the damping joined to an opened plant, and the whole bench opened and closed."""
    loop = damped(reference, gain)
    plants = bench_plants(reference, "torque")
    margins = analyse_loops(with_loop(reference, loop), ["torque"], None, None)["torque"].margins
    ms, mt = sensitivity_peaks(plants, loop)
    assert ms.value == pytest.approx(margins.ms, rel=1e-6)
    assert mt.value == pytest.approx(margins.mt, rel=1e-6)
    radius = close(plants[0].under(loop).system, controller_of(loop)).radius
    assert radius == pytest.approx(margins.largest_eigenvalue, rel=1e-8)
    assert closed_loop(plants[0], loop).radius == pytest.approx(radius, rel=1e-9)


@pytest.mark.compiled
def test_active_damping_buys_rejection_at_the_same_bounds(reference: Description) -> None:
    plants, loop = bench_plants(reference, "torque"), loop_named(reference, "torque")
    search = Search(plants, Bounds(command=loop.clamp, excursion=excursion(reference, loop)))
    found = {}
    for name in ("pi", "active_damping"):
        family = STRUCTURES[name].family(loop, plants[0], {})
        assert not isinstance(family, str)
        found[name] = best_of_family(search, family)
    plain, active = found["pi"], found["active_damping"]
    assert plain is not None and active is not None
    assert active.loop.active_damping is not None and active.loop.active_damping.gain > 0.0
    assert active.cost < 0.7 * plain.cost
    family = STRUCTURES["active_damping_high_pass"].family(loop, plants[0], {"active_damping": active.loop})
    assert not isinstance(family, str)
    high_passed = best_of_family(search, family, [active.loop])
    assert high_passed is not None and high_passed.cost < 0.9 * active.cost
    damping = high_passed.loop.active_damping
    assert damping is not None and damping.cutoff is not None
    margins = analyse_loops(with_loop(reference, active.loop), ["torque"], None, None)["torque"].margins
    assert margins.stable and margins.ms <= 1.6 + 1e-6 and margins.mt <= 1.4 + 1e-6


def test_active_damping_says_why_it_is_not_offered(reference: Description) -> None:
    torque, speed = (loop_named(reference, name) for name in ("torque", "speed"))
    bench = build_bench(reference)
    assert speeds_across(bench, torque)[:2] == ("drive", "load")
    assert "loop of speed" in str(speeds_across(bench, speed))
    alone = build_bench(replace(reference, loop=(torque,)))
    assert "no speed is read across the line: add an encoder" in str(speeds_across(alone, torque))


def test_an_encoder_goes_before_the_machine() -> None:
    bench = build_bench(read_scenario("wheel-hub").description)
    assert "enc" in speeds_across(bench, loop_named(bench.description, "torque"))


@pytest.mark.parametrize("source", [0, 1])
@pytest.mark.parametrize("share", [0.3, 1.0])
def test_the_error_area_is_that_of_a_long_run(reference: Description, source: int, share: float) -> None:
    loop = loop_named(reference, "torque")
    loop = with_gains(loop, share * loop.kp.value, share * loop.ki.value)
    closed = close(bench_plants(reference, "torque")[0].system, controller_of(loop))
    error = np.abs(closed.step(source, 16384).reading - (1.0 - source))
    area = error_area(closed, source)
    assert area == pytest.approx(error.sum() * closed.period, rel=8e-3)
    assert 0.5 * area <= error_area(closed, source, 0.5 * area) <= area


def test_a_lasting_error_has_no_area() -> None:
    lag = ClosedLoop(np.array([[0.5]]), np.eye(2)[:1], np.ones((2, 1)), np.zeros((2, 2)), 1.0)
    assert error_area(lag, 1) == 0.0
    assert error_area(lag, 0) == np.inf


@pytest.mark.compiled
def test_the_steps_of_an_encoder_are_noise_on_the_command() -> None:
    """Predicted rms against the time simulation, and the bound that keeps it down."""
    bench = read_scenario("wheel-hub").description
    loop = replace(
        with_gains(loop_named(bench, "torque"), 0.6, 290.0),
        filters=(),
        active_damping=ActiveDamping(14.0, "enc", "load"),
    )
    plants = bench_plants(bench, "torque")
    noise = command_noise(plants, loop)
    assert (
        set(noise) == {"bus", "enc", "load"} and noise["load"] == 0.0 and noise["enc"] > 100.0 * noise["bus"]
    )
    assert noise["bus"] == pytest.approx(noise_gain(plants, loop) * plants[0].noises["bus"])
    run = simulate(with_loop(bench, loop))
    time, command = run.time, run.traces["torque_command"]
    held = command[(time > 0.95) & (time < 1.09)]
    assert float(np.std(held)) == pytest.approx(noise["enc"], rel=0.4)
    quiet = Search(plants, Bounds(command_noise=0.5 * noise["enc"])).gains(with_gains(loop, 0.0, 0.0))
    assert quiet is None or command_noise(plants, quiet.loop)["enc"] <= 0.5 * noise["enc"]
    assert not Search(plants, Bounds(command_noise=0.5 * noise["enc"])).admits(loop)
