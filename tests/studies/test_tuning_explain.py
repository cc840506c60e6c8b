"""Why simulated figures differ from predicted ones."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from shaftloop.analysis.operating import operating_point
from shaftloop.bench.assemble import build_bench
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.tuning.effects import EFFECTS, Effect, present, without
from shaftloop.studies.tuning.explain import Figures, differs, explained
from shaftloop.studies.tuning.proof import Experiment, prove

BENCHES = Path(__file__).parents[1] / "benches"
A, B, C = (Effect(name, lambda bench, _: bench) for name in "ABC")


def causes(values: dict[str, float | None], simulated: float | None = 2.0) -> str:
    """Return why 1 ms becomes 2 ms, when switched off letters give other values."""

    def run(off: Sequence[Effect] | None) -> Figures:
        key = "smooth" if off is None else "".join(effect.name for effect in off)
        return {"rise time": (values.get(key, simulated), "s")}

    return explained(
        ["rise time"], {"rise time": (1.0, "s")}, {"rise time": (simulated, "s")}, (A, B, C), run, 1e-3
    )["rise time"]


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"A": 1.05}, "A (95 % of the difference)"),
        ({"A": 1.6, "AB": 1.1}, "A (40 % of the difference); B (50 % of the difference)"),
        (
            {"B": 1.7, "BA": 1.7, "C": 1.6, "CB": 1.2},
            "C (40 % of the difference); B (40 % of the difference)",
        ),
        ({"A": 1.6, "AB": 1.95, "AC": 1.0}, "A (40 % of the difference); C (60 % of the difference)"),
        ({"smooth": 2.0}, "size of the step: drag, saliency and the sensor's nonlinearity"),
        ({"smooth": 1.0}, "what only the full bench has"),
        ({"ABC": 1.0, "smooth": 1.0}, "several smaller effects together (100 % of the difference)"),
    ],
)
def test_the_effects_that_bring_the_prediction_back_are_named(
    values: dict[str, float | None], said: str
) -> None:
    # Effects are always handed over in the order of the list.
    ordered = {"smooth" if key == "smooth" else "".join(sorted(key)): value for key, value in values.items()}
    assert causes(ordered).startswith(f"due to: {said}")


def test_a_figure_that_is_reached_without_an_effect_is_explained_by_it() -> None:
    assert causes({"B": 1.02}, simulated=None) == "due to: B (100 % of the difference)"
    assert causes({"B": 1.5, "smooth": 1.0}, simulated=None).startswith("due to: B (50 % of the difference)")


def test_small_differences_are_none() -> None:
    assert not differs((1.0, "s"), (1.09, "s"), 1e-3) and differs((1.0, "s"), (1.11, "s"), 1e-3)
    assert not differs((1e-3, "s"), (2e-3, "s"), 1e-3), "a tick is no difference"
    assert differs((None, "s"), (1.0, "s"), 1e-3) and not differs((None, "s"), (None, "s"), 1e-3)


RICH = (
    "line.drive.ripple=[{ order = 24, amplitude = '1 N m' }]",
    "line.load.cogging=[{ order = 36, amplitude = '1 N m' }]",
    "line.ts.hysteresis=0.05 %",
    "line.ts.repeatability=0.02 %",
    "line.c1.parallel_offset=0.1 mm",
    "line.c1.pitch_diameter=80 mm",
    "line.enc.turn_error=0.0001 rad",
)


def rich(name: str, *settings: str) -> Description:
    return read_scenario(name, settings).description


def test_every_effect_is_found_and_taken_away() -> None:
    found = set()
    for bench in (rich("wheel-hub", *RICH), rich("truck-axle")):
        effects = present(bench, "torque")
        found |= {effect.name for effect in effects}
        quiet = without(bench, "torque", effects)
        assert build_bench(quiet).model.noises == []
        smooth, bare = build_bench(bench, smooth=True).model, build_bench(quiet).model
        assert [slot.name for slot in smooth.layout.slots if slot.name.endswith("angle")] == [
            slot.name for slot in bare.layout.slots if slot.name.endswith("angle")
        ]
        assert present(without(quiet, "torque", ()), "torque") != effects
    assert {effect.name for effect in EFFECTS} <= found
    assert found - {effect.name for effect in EFFECTS} == {
        *("torque ripple of the machines", "cogging of the machines", "misalignment of the couplings"),
        *("hysteresis of the torque sensor", "zero of the torque sensor from run to run"),
        *("noise of the torque sensor", "quantiser of the torque sensor", "range of the torque sensor"),
        *("edges of the encoder", "angle error of the encoder"),
        *("current limit of drive", "current limit of load"),
        *("largest torque of load", "largest power of load", "largest speed of load"),
    }


@pytest.mark.compiled
def test_a_limit_inside_the_step_is_named_by_its_machine() -> None:
    """Both machines are torque servos; that of the speed loop is the one that cannot follow."""
    bench = read_scenario(BENCHES / "anti-windup-binds.toml", ("line.drive.max_torque=12 N m",)).description
    point = operating_point(build_bench(bench, smooth=True), None, None)
    proof = prove(bench, Experiment("speed", "speed", 30.0, 1.0, 0.1), point)
    said = [row.explanation for row in proof.rows if row.different]
    assert any("largest torque of drive" in text for text in said), said
    assert not any("of load" in text for text in said)


@pytest.mark.compiled
@pytest.mark.parametrize(
    ("settings", "torque", "cause"),
    [
        (("loop.torque.clamp=62 N m", "loop.torque.feedforward=0.9"), 40.0, "clamp of the command"),
        (("line.load.cogging=[{ order = 6, amplitude = '8 N m' }]",), 4.0, "cogging of the machines"),
        (("line.ts.noise_density=200 mN m/rtHz",), 8.0, "noise of the torque sensor"),
        (("line.load.current_limit=90 A",), 60.0, "current limit of load"),
        (("loop.torque.setpoint_rate=2 kN m/s",), 60.0, "rate limit of the set-point"),
        (("line.ts.range=61 N m",), 60.0, "range of the torque sensor"),
    ],
)
def test_a_bench_with_one_strong_effect_is_explained_by_it(
    settings: tuple[str, ...], torque: float, cause: str
) -> None:
    bench = rich("reference-bench", *settings)
    point = operating_point(build_bench(bench, smooth=True), None, torque)
    proof = prove(bench, Experiment("torque", "torque", 0.9 * torque, 5.0, 0.1), point)
    different = [row for row in proof.rows if row.different]
    assert different and all(row.explanation.startswith("due to: ") for row in different)
    assert any(row.explanation.startswith(f"due to: {cause} (") for row in different), different


@pytest.mark.compiled
def test_with_all_effects_off_simulation_and_prediction_agree() -> None:
    bench = rich("wheel-hub")
    quiet = without(bench, "speed", present(bench, "speed"))
    point = operating_point(build_bench(quiet, smooth=True), None, None)
    proof = prove(quiet, Experiment("speed", "speed", 3.0, 14.0, 0.1), point)
    assert not any(row.different for row in proof.rows), proof.rows
    for row in proof.rows:
        if row.predicted is not None and row.unit != "s":
            assert row.simulated == pytest.approx(row.predicted, rel=0.03)


@pytest.mark.compiled
def test_what_a_scenario_lets_fail_is_no_part_of_the_proof() -> None:
    """Its supply fails; the bench without the limit of the link's voltage has no such supply."""
    bench = rich("grid-loss")
    healthy = replace(bench, fault=(), limit=())
    point = operating_point(build_bench(bench, smooth=True))
    far = Experiment("torque", "torque", 110.0, 60.0, 0.05)
    proofs = [prove(description, far, point) for description in (bench, healthy)]
    assert any(row.different for row in proofs[0].rows), "so every effect is switched off once"
    assert proofs[0].rows == proofs[1].rows
