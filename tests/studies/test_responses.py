"""Named responses: every name has a value or a reason, and agrees with the analysis it comes from."""

import math
from dataclasses import replace

import pytest

from checkbench import figure
from rigs import shipped
from shaftloop.analysis.delay import delay_margin
from shaftloop.analysis.fidelity.figures import figures
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.metrics import metrics
from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.worstcase import MapPoint, analyse_loops
from shaftloop.errors import ScenarioError, SimulationError
from shaftloop.figures import Figure
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies import responses
from shaftloop.studies.figures import loop_figures, map_figures
from shaftloop.studies.responses import SOURCES, ResponseSource, evaluate, known, require

SHORT = ["duration=60 ms"]


def bench(*settings: str) -> Description:
    return read_scenario("reference-bench", [*SHORT, *settings]).description


@pytest.mark.compiled
def test_every_known_response_is_evaluated_in_its_unit() -> None:
    description = read_scenario("truck-axle", ["duration=0.2 s"]).description
    have = known(description)
    slow = [name for name in have if name.startswith("map.") or ".delay_margin" in name]
    have = {name: entry for name, entry in have.items() if name not in slow}
    found = evaluate(description, list(have))
    assert list(found) == list(have)
    for key, response in found.items():
        assert response.unit == have[key].unit and have[key].meaning
        assert not response.failed
        assert (response.value is None) == bool(response.reason)
        assert response.value is None or math.isfinite(response.value)


def test_the_figures_are_those_of_the_analyses() -> None:
    description = bench()
    delays = [f"margins.torque.delay_margin{where}" for where in ("", "_at_reading", "_at_command")]
    names = ["margins.torque.ms", *delays, "margins.torque.stable", "modes.1.frequency"]
    found = evaluate(description, names)
    analysis = analyse_loops(description, ["torque"])["torque"]
    delay = delay_margin(analysis.description, analysis.margins)
    at_reading, at_command = delay.reading.value, delay.command.value
    assert at_reading is not None and at_command is not None
    values = (min(at_reading, at_command), at_reading, at_command)
    assert [found[name].value for name in delays] == list(values)
    ms, stable = found["margins.torque.ms"], found["margins.torque.stable"]
    assert (ms.name, ms.group, ms.value, ms.unit) == ("ms", "torque", analysis.margins.ms, "1")
    assert (stable.value, stable.unit) == (1.0, "1")
    # Two bodies of the reference bench against each other over its soft couplings, see `shaftloop modes`.
    assert found["modes.1.frequency"].value == pytest.approx(147.55, abs=0.01)


def test_the_metrics_are_those_of_the_run() -> None:
    description = bench("duration=30 ms")
    run = metrics(simulate(description))
    names = ["simulate.peak_true_torque", "simulate.loss_energy.drive.copper", "simulate.torque_overshoot"]
    found = evaluate(description, names)
    assert found == {name: run[name.removeprefix("simulate.")] for name in names}


def test_each_source_runs_once_and_only_if_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[tuple[str, tuple[str, ...]]] = []

    def counted(prefix: str, source: ResponseSource) -> ResponseSource:
        def run(description: Description, names: list[str]) -> dict[str, Figure]:
            calls.append((prefix, tuple(names)))
            return {name: figure(1.0, "1") for name in names}

        return ResponseSource(source.known, run)  # type: ignore[arg-type]

    monkeypatch.setattr(responses, "SOURCES", {key: counted(key, source) for key, source in SOURCES.items()})
    names = ["margins.torque.ms", "modes.1.frequency", "margins.speed.ms", "margins.torque.ms"]
    assert list(evaluate(bench(), names)) == ["margins.torque.ms", "modes.1.frequency", "margins.speed.ms"]
    assert calls == [("margins", ("torque.ms", "speed.ms")), ("modes", ("1.frequency",))]


def test_a_source_is_one_entry(monkeypatch: pytest.MonkeyPatch) -> None:
    further = ResponseSource(
        lambda _: {"gain": Figure("", "1", "of the reading")}, lambda *_: {"gain": figure(0.5, "1")}
    )
    monkeypatch.setitem(SOURCES, "fidelity", further)
    assert known(bench())["fidelity.gain"].meaning == "of the reading"
    assert evaluate(bench(), ["fidelity.gain"]) == {"fidelity.gain": figure(0.5, "1")}


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("margins.torque.bandwith", "nearest: margins.torque.bandwidth"),
        ("margin.torque.ms", "nearest: margins.torque.ms"),
        ("simulate.torque_overshot", "nearest: simulate.torque_overshoot"),
        ("margins.load.phase_margin", "nearest: "),
        ("xyz", "known sources: simulate, margins, map, modes, fidelity"),
    ],
)
def test_an_unknown_name_is_refused_with_the_nearest(name: str, hint: str) -> None:
    for call in (require, evaluate):
        with pytest.raises(ScenarioError) as caught:
            call(bench(), [name])
        assert f'"{name}" is no response of this bench; {hint}' in str(caught.value)


def test_an_unstable_bench_has_no_margins() -> None:
    names = ["margins.torque.stable", "margins.torque.gain_margin", "margins.torque.largest_eigenvalue"]
    stable, gain, largest = evaluate(bench("loop.torque.kp=0.8"), names).values()
    assert stable.value == 0.0 and (largest.value or 0.0) > 1.0
    assert gain.value is None and gain.beyond == "" and not gain.failed
    assert gain.reason.startswith("the bench is unstable (largest eigenvalue 1.")


def test_a_margin_without_end_lies_above_every_bound() -> None:
    # So little gain that |L| never reaches 1, and no integral part that would take it there.
    description = bench("loop.torque.kp=0.001", "loop.torque.ki=0 1/s")
    names = [f"margins.torque.{figure}" for figure in ("phase_margin", "delay_margin", "crossover")]
    phase, delay, crossover = evaluate(description, names).values()
    assert (phase.value, phase.beyond, phase.reason) == (None, "above", "|L| never crosses 1")
    assert (delay.value, delay.beyond) == (None, "above")
    assert (crossover.value, crossover.beyond) == (None, "")


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_a_figure_that_is_not_finite_has_a_reason_and_no_value(value: float) -> None:
    found = Figure("a", "s", "").found(value)
    assert (found.value, found.reason, found.failed) == (None, "no finite number came out", False)


def test_a_failed_source_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> dict[str, Figure]:
        raise SimulationError("it diverged at 0.1 s", "lower the gains")

    monkeypatch.setitem(SOURCES, "simulate", ResponseSource(SOURCES["simulate"].known, fail))
    failed, frequency = evaluate(bench(), ["simulate.torque_overshoot", "modes.1.frequency"]).values()
    assert (failed.value, failed.unit, failed.failed) == (None, "%", True)
    assert failed.reason == "it diverged at 0.1 s; lower the gains"
    assert frequency.value is not None


def test_trips_and_settle_steps_that_time_out_are_counted() -> None:
    settings = ["duration=0.12 s", "sequence.0.over=20 ms"]
    description = read_scenario("micro-spindle", settings).description
    quiet = evaluate(description, ["simulate.trips", "simulate.trips.overtorque", "simulate.not_settled"])
    assert [response.value for response in quiet.values()] == [0.0, 0.0, 0.0]
    low = read_scenario("micro-spindle", [*settings, "limit.overtorque.above=0.01 N m"]).description
    tripped = evaluate(low, ["simulate.trips", "simulate.trips.overtorque"])
    assert [response.value for response in tripped.values()] == [1.0, 1.0]


def test_a_mode_that_does_not_oscillate_has_no_frequency() -> None:
    found = evaluate(bench("line.c1.damping=2000 N m s/rad"), ["modes.3.frequency", "modes.1.frequency"])
    assert found["modes.1.frequency"].value is not None
    assert found["modes.3.frequency"].value is None
    assert found["modes.3.frequency"].reason == "only 2 modes of the line oscillate"


def test_the_map_says_where_the_bench_is_unstable_or_cannot_be() -> None:
    description = bench()
    margins = analyse_loops(description, ["torque"])["torque"].margins
    good = MapPoint(100.0, 50.0, {"torque": margins}, "")
    away = MapPoint(300.0, 50.0, {}, "voltage limit")
    assert {name: entry.value for name, entry in map_figures([good, away], "torque").items()} == {
        "stable": 1.0,
        "ms": margins.ms,
        "gain_margin": margins.gain_margin,
        "phase_margin": margins.phase_margin,
    }
    nowhere = map_figures([away], "torque")
    for entry in (nowhere["ms"], nowhere["stable"]):
        assert (entry.value, entry.beyond) == (None, "")
        assert entry.reason == "the bench can hold no point of its operating range"
    unstable = analyse_loops(bench("loop.torque.kp=0.8"), ["torque"])["torque"]
    lost = map_figures([good, MapPoint(10.0, 50.0, {"torque": unstable.margins}, "")], "torque")
    assert lost["stable"].value == 0.0
    assert (lost["ms"].value, lost["ms"].reason) == (None, "the bench is unstable at 95.49 rpm and 50 N m")
    assert loop_figures(unstable, ["ms", "nonsense"]).keys() == {"ms"}


def test_the_worst_of_the_map_is_no_better_than_the_operating_point() -> None:
    names = ["map.torque.ms", "margins.torque.ms", "map.torque.stable"]
    worst, here, stable = evaluate(bench(), names).values()
    assert worst.value is not None and here.value is not None
    assert worst.value >= here.value * (1.0 - 1e-9) and stable.value == 1.0


def test_a_limiter_has_no_margins() -> None:
    have = known(read_scenario("wheel-hub").description)
    assert not any(name.startswith("margins.overspeed.") for name in have)
    assert {"margins.torque.ms", "margins.speed.ms"} <= set(have)


@pytest.mark.compiled
def test_figures_of_the_fidelity_analysis_are_responses() -> None:
    bench = shipped("wheel-hub")
    found = evaluate(bench, ["fidelity.signal_band_5_percent", "fidelity.inertia"])
    own = figures(fidelity(bench))
    for name, response in found.items():
        figure = own[name.removeprefix("fidelity.")]
        assert (response.value, response.unit) == (figure.value, figure.unit)
    assert require(bench, ["fidelity.inertia"])["fidelity.inertia"].unit == "kg m^2"


def test_a_bench_without_a_unit_has_no_such_figures() -> None:
    bench = replace(shipped("wheel-hub"), unit=None)
    with pytest.raises(ScenarioError, match=r'"fidelity\.inertia" is no response of this bench'):
        require(bench, ["fidelity.inertia"])
