"""What takes too long is refused before it is paid, in words; no ordinary bench is."""

from pathlib import Path

import pytest

from randombench import random_bench
from shaftloop.analysis.cost import MapWork, have_patience, loop_rates, shared
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.simulation import check_runs, make_run
from shaftloop.analysis.worstcase import analyse_loops, operating_map
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import SimulationError
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.shipped import shipped_folder, shipped_names
from shaftloop.studies.vary import MarginsDemand, read_range, vary

CASES = Path(__file__).parents[3] / "shared" / "cases"
SHAFT = (
    '[[line]]\npart = "shaft"\nname = "x{}"\ndiameter = "80 mm"\nlength = "400 mm"\nloss_factor_psi = 1\n\n'
)
SLOW = '\n[[hop]]\nname = "slow"\ncarries = "drive"\nperiod = "40 ms"\ntransport = "1 ms"\n'
HOP = '[[hop]]\nname = "h{}"\ncarries = "{}"\nperiod = "7 us"\ntransport = "1 us"\n\n'


def bench(*settings: str, name: str = "reference-bench") -> Description:
    return read_scenario(name, settings).description


def many(tmp_path: Path, name: str, before: str, parts: str) -> Description:
    """Return a shipped bench with more parts ahead of the second place where a text stands."""
    text = (shipped_folder() / f"{name}.toml").read_text(encoding="utf-8")
    place = text.index(before, text.index(before) + 1) if before == "[[line]]" else text.index(before)
    path = tmp_path / "bench.toml"
    path.write_text(text[:place] + parts + text[place:], encoding="utf-8")
    return read_scenario(path).description


@pytest.mark.parametrize(
    ("setting", "figure", "driver"),
    [
        (
            "line.drive.drag.smoothing=1e-9 rad/s",
            "4e+08 substeps takes about 3.6",
            "drive.coulomb makes steps of",
        ),
        (
            "line.drive.inertia=1e-18 kg m^2",
            "substeps takes about 275 years",
            "raise the smoothing of that drag or",
        ),
        ("line.load.max_speed=1e18 rad/s", "years; allowed: 20 s", "load.coupling_d makes"),
    ],
)
def test_short_steps_are_refused_with_what_makes_them(setting: str, figure: str, driver: str) -> None:
    with pytest.raises(SimulationError) as caught:
        make_run(build_bench(bench("duration=20 ms", setting)))
    assert figure in caught.value.message and driver in caught.value.advice
    with pytest.raises(SimulationError) as caught:
        HyperMap(bench(setting))
    assert "an analysis of" in caught.value.message and driver in caught.value.advice


def test_a_long_run_is_refused_with_the_length_that_would_do() -> None:
    with pytest.raises(SimulationError) as caught:
        make_run(build_bench(bench("duration=10000 s", "record.rate=100 Hz")))
    assert caught.value.message.startswith("a run of 10000 s with ")
    assert "rates up to 10000 Hz (" in caught.value.advice and "`patience`" in caught.value.advice


def test_a_large_recording_is_refused_with_the_rate_that_would_do() -> None:
    with pytest.raises(SimulationError) as caught:
        make_run(build_bench(bench("record.rate=10 MHz")))
    assert "20000002 records of 16 channels take 6.4 GB of memory; allowed: 1.5 GB" in caught.value.message
    assert caught.value.advice.startswith("record.rate drives it: 2.34e+06 Hz would do")


def test_many_values_in_delay_lines_are_refused() -> None:
    found = bench("loop.torque.output_latency=0.1 s")
    with pytest.raises(SimulationError, match="an analysis of 440 states and delays") as caught:
        HyperMap(found, MapWork(loop_rates(found)))
    assert caught.value.advice.startswith("408 values wait in delay lines: shorten latencies")


def test_a_long_line_is_refused(tmp_path: Path) -> None:
    found = many(tmp_path, "truck-axle", "[[line]]", "".join(SHAFT.format(i) for i in range(35)))
    with shared(2.0), pytest.raises(SimulationError, match="an analysis of 263 states") as caught:
        HyperMap(found, MapWork(loop_rates(found)))
    assert caught.value.advice.startswith("the line is long: join stiff parts")


def test_a_long_common_period_is_refused(tmp_path: Path) -> None:
    hops = "".join(HOP.format(i, f"h{i - 1}" if i else "ts") for i in range(30))
    with pytest.raises(SimulationError, match="an analysis of 118 states and delays over 1045") as caught:
        HyperMap(many(tmp_path, "wheel-hub", "[[hop]]", hops))
    assert "make 1045 instants: choose ones with a shorter common period" in caught.value.advice


def test_a_loop_that_ticks_often_in_a_common_period_is_refused_with_its_name(tmp_path: Path) -> None:
    """Its task made ideal ticks 16 times as often; that is known before any of it is paid."""
    path = tmp_path / "bench.toml"
    path.write_text(random_bench(10).replace("10 kHz", "16 kHz") + SLOW, encoding="utf-8")
    found = read_scenario(path).description
    rates = {"torque": 16.0 * loop_rates(found)["torque"]}
    with pytest.raises(SimulationError, match="an analysis of") as caught:
        HyperMap(found, MapWork(rates, whole=False))
    assert caught.value.advice.startswith("loop torque ticks 5120 times in a common period of 40 ms: choose")


def test_points_of_a_map_and_of_a_variation_share_the_patience() -> None:
    scenario = read_scenario("wheel-hub")
    have_patience(0.4)
    try:
        found = analyse_loops(scenario.description, ("torque",))
        with pytest.raises(SimulationError, match=r"allowed: 0\.016 s, since about 25 such are needed"):
            operating_map(found)
        with pytest.raises(SimulationError, match="since about 21 such are needed"):
            vary(scenario, read_range("line.ts.latency=0ms..1ms"), MarginsDemand(("torque",)))
    finally:
        have_patience(20.0)


def test_patience_is_shared_among_computations_and_can_be_raised() -> None:
    long = bench("duration=600 s", "record.rate=100 Hz")
    check_runs(long, 1)
    with pytest.raises(SimulationError, match=r"allowed: 0\.2 s, since about 100 such are needed"):
        check_runs(long, 100)
    try:
        have_patience(1e4)
        check_runs(long, 100)
    finally:
        have_patience(20.0)
    with shared(0.5):
        check_runs(long, 1)


@pytest.mark.parametrize("name", shipped_names())
def test_no_shipped_bench_is_refused(name: str) -> None:
    HyperMap(bench(name=name))
    check_runs(bench(name=name), 10)


@pytest.mark.parametrize("seed", range(60))
def test_no_random_bench_is_refused(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(random_bench(seed), encoding="utf-8")
    found = read_scenario(path).description
    with shared(2.0):
        HyperMap(found)
    check_runs(found, 10)


@pytest.mark.skipif(not CASES.is_dir(), reason="the cases lie beside the project")
def test_no_case_is_refused() -> None:
    for path in sorted(CASES.glob("*.toml")):
        found = read_scenario(path).description
        HyperMap(found)
        check_runs(found, 10)
