"""Loops on positions: virtual springs against a z-domain of their own, cascades, counting, refusals."""

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit

import shaftloop
from rigs import Table, coupling, describe, hold, sensor, servo, speed_loop, start, step, ticks
from shaftloop.analysis.hypermap import HyperMap
from shaftloop.analysis.lanes import simulate_many
from shaftloop.analysis.operating import operating_point
from shaftloop.analysis.simulation import simulate
from shaftloop.analysis.stiffness import stiffest
from shaftloop.answers.point import named_loops
from shaftloop.answers.run import find_run
from shaftloop.bench.assemble import build_bench
from shaftloop.errors import ScenarioError
from shaftloop.report.margins import room
from shaftloop.report.run.position import position_picture
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.shipped import shipped_folder

J, T = 0.05, 1e-3
DEGREE = math.pi / 180.0


def encoder(name: str = "enc", **keys: Any) -> Table:
    return {"part": "encoder", "name": name, "lines": 2_500_000, "sampling": "1 kHz", **keys}


def spring(k: float, d: float, **keys: Any) -> Table:
    """Return a virtual spring and damper at the drive."""
    plain = {"name": "spring", "controls": "position", "acts_on": "drive", "reads": "enc", "rate": "1 kHz"}
    gains = {"kp": f"{k!r} N m/rad", "ki": "0 N m/(rad s)", "damping": f"{d!r} N m s/rad", "clamp": "1 kN m"}
    return {**plain, **gains, "output_latency": "0 sample", **keys}


def rigid(k: float, d: float, late: int = 0, **more: Any) -> Description:
    """Return an inertia alone at a virtual spring, its reading late by a number of samples."""
    line = [servo("drive", J, rate="1 kHz"), encoder(latency=f"{late} sample")]
    moves = {"sequence": [step("spring", "10 deg"), hold("1.5 s")], "record": {"rate": "1 kHz"}, **more}
    return describe({"line": line, "loop": [spring(k, d)], **moves})


def pole(k: float, d: float, late: int = 0) -> complex:
    """Return the slowest pole of the inertia with held torque by its own z-domain [1/s].

    ``x = [θ, ω]``, torque −k·θ(n − m) − d·(θ(n − m) − θ(n − m − 1))/T held from tick to tick: the speed
    counted is the mean over a sample.
    """
    size = 2 + late + 1
    a = np.zeros((size, size))
    a[:2, :2] = [[1.0, T], [0.0, 1.0]]
    for i in range(late + 1):
        a[2 + i, 0 if i == 0 else 1 + i] = 1.0
    held = np.array([T**2 / (2.0 * J), T / J])
    # The angles θ(n − m) and θ(n − m − 1) in [θ, ω, θ(n − 1), θ(n − 2), ...].
    seen, before = (0 if late == 0 else 1 + late), 2 + late
    a[:2, seen] -= held * (k + d / T)
    a[:2, before] += held * d / T
    found = np.log(np.linalg.eigvals(a).astype(complex)) / T
    return complex(max((p for p in found if p.imag > 1e-6), key=lambda p: p.real))


def slowest(description: Description) -> complex:
    """Return the slowest pole of a bench by its map [1/s]."""
    bench = HyperMap(description)
    found = np.linalg.eigvals(bench.dynamics(bench.steady(operating_point(bench.bench)))).astype(complex)
    found = np.log(found[np.abs(found) > 1e-12]) / bench.hyperperiod
    return complex(max((p for p in found if p.imag > 1e-6), key=lambda p: p.real))


@pytest.mark.compiled
@pytest.mark.parametrize("late", [0, 1, 3])
def test_a_virtual_spring_swings_as_its_own_z_domain_says(late: int) -> None:
    """√(k/J), damped by d less k times the latency, by z-domain, map and run."""
    k, d = 50.0, 0.4
    exact = pole(k, d, late)
    assert abs(exact) == pytest.approx(math.sqrt(k / J), rel=0.02)
    assert exact.real == pytest.approx(-(d - k * (late + 0.5) * T) / (2.0 * J), rel=0.05)
    found = slowest(rigid(k, d, late))
    assert found.real == pytest.approx(exact.real, rel=1e-3, abs=1e-3)
    assert found.imag == pytest.approx(exact.imag, rel=1e-5)
    run = simulate(rigid(k, d, late))
    away = run.traces["enc_position"] - 10.0 * DEGREE
    peaks = [i for i in range(1, len(away) - 1) if away[i - 1] < away[i] >= away[i + 1]]
    first, last = peaks[1], peaks[6]
    assert (last - first) * T == pytest.approx(5.0 * 2.0 * math.pi / exact.imag, rel=5e-3)
    assert math.log(away[first] / away[last]) / ((last - first) * T) == pytest.approx(-exact.real, rel=0.03)


@pytest.mark.compiled
@pytest.mark.parametrize("late", [0, 2])
def test_latency_bounds_the_stiffness(late: int) -> None:
    """Unstable from k·τ = d on, τ the latency and half a sample of hold, for a slow spring."""
    d = 0.4
    low, high = 0.0, 2.0 * d / (T * (late + 0.5))
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if pole(middle, d, late).real < 0.0 else (low, middle)
    assert high == pytest.approx(d / (T * (late + 0.5)), rel=0.05)
    assert slowest(rigid(0.995 * high, d, late)).real < 0.0 < slowest(rigid(1.002 * high, d, late)).real
    bench = HyperMap(rigid(0.1 * high, d, late))
    loop, state = bench.bench.loops["spring"], bench.steady(operating_point(bench.bench))
    # The machine has a lag of 1 µs on top.
    assert stiffest(bench, loop, state) == pytest.approx(high / (1.0 + 1e-6 / (T * (late + 0.5))), rel=2e-4)
    assert slowest(rigid(0.1 * high, d, late)).real == pytest.approx(pole(0.1 * high, d, late).real, rel=1e-2)


@pytest.mark.compiled
def test_margins_tell_the_stiffest_spring(tmp_path: Path) -> None:
    """Of one that is unstable there is none; of a stable one the table and the document have it."""
    for k, words in ((40.0, "beyond it, latency uses up the damping"), (4000.0, "none: unstable as it is")):
        path = tmp_path / f"rig{k:g}.toml"
        line = [servo("drive", J, rate="1 kHz"), encoder()]
        path.write_text(
            tomlkit.dumps({"title": "Rig", "line": line, "loop": [spring(k, 0.4)], "duration": "1 ms"})
        )
        found = shaftloop.read(path).margins()
        (answer,) = found.loops.values()
        assert words in str([piece.rows for piece in room.details(found) if not isinstance(piece, str)])
        told = room.document(found)["loops"]["spring"]["stiffest_spring"]
        assert told["value"] == answer.stiffest and bool(told["value"]) != bool(told.get("reason"))


@pytest.mark.compiled
def test_turns_are_counted_as_whole_edges() -> None:
    """From 2^50 edges on as from none: no digit is lost; and the angle is the integral of the speed."""
    line = [servo("drive", J, rate="1 kHz"), encoder()]
    document = describe({"line": line, "loop": [spring(1e-9, 0.0, clamp="1e-9 N m")], "duration": "2 s"})
    counts = []
    for begin in (0.0, 2.0**50):
        bench = build_bench(document)
        run = start(bench)
        names = [slot.name for slot in bench.model.layout.slots]
        count = names.index("enc.count")
        run.state[count] = begin
        run.state[bench.line.nodes[0].speed.index] = 100.0
        run.advance(ticks(run, 1.0), exact=True)
        counts.append(run.state[count] - begin)
    assert counts[0] == counts[1] and counts[0] == round(counts[0])
    assert counts[0] == pytest.approx(100.0 * 10_000_000 / (2.0 * math.pi), abs=100.0 * T * 10_000_000 / 6.0)


def cascade(**keys: Any) -> Description:
    """Return a bench whose drive follows a position by way of its speed loop."""
    line = [
        *(servo("drive", 0.02, time_constant="0.5 ms"), encoder(lines=100_000, sampling="4 kHz")),
        *(sensor("ts", 3e4, damping="8 N m s/rad"), servo("load", 0.02, time_constant="0.5 ms")),
    ]
    position = {
        **{
            "name": "position",
            "controls": "position",
            "acts_on": "drive",
            "through": "speed",
            "reads": "enc",
        },
        **{"rate": "2 kHz", "kp": "20 1/s", "ki": "0 1/s^2", "clamp": "3000 rpm", **keys},
    }
    speed = {**speed_loop("drive", 2.0, 40.0), "reads": "enc"}
    ramp = {"do": "ramp", "loop": "position", "to": "5 rev", "over": "2 s"}
    return describe({"line": line, "loop": [position, speed], "sequence": [ramp, hold("0.8 s")]})


@pytest.mark.compiled
def test_a_cascade_lags_by_speed_over_gain_and_ends_there() -> None:
    """2.5 turns a second over 20 1/s, as a sample of the encoder old: 45 degrees; then 5 turns to an edge."""
    run = simulate(cascade())
    behind = run.traces["position_setpoint"] - run.traces["enc_position"]
    at = int(np.searchsorted(run.time, 1.9))
    assert behind[at] == pytest.approx(5.0 * math.pi * (1.0 / 20.0 + 0.25e-3), rel=2e-4)
    assert abs(behind[-1]) < 2.0 * 2.0 * math.pi / 400_000
    assert run.traces["speed_setpoint"][at] == pytest.approx(5.0 * math.pi, rel=2e-3)
    assert run.units["position_setpoint"] == run.units["enc_position"] == "rad"
    assert run.units["position_command"] == "rad/s"
    assert run.energies.residual < 1e-5


@pytest.mark.compiled
def test_a_steady_state_rests_where_the_line_turns_too() -> None:
    """In a frame that turns at the speed: the set-point leads by speed over gain, and poles stay."""
    bench = HyperMap(cascade())
    poles = []
    for speed in (0.0, 30.0):
        point = operating_point(bench.bench)
        state = bench.steady(replace(point, speed=speed))
        assert state[bench.bench.parts["enc"].position_slot] == pytest.approx(-speed / 20.0, abs=1e-6)
        poles.append(np.sort(np.abs(np.linalg.eigvals(bench.dynamics(state)))))
    assert np.allclose(poles[0], poles[1], atol=1e-6) and poles[0][-1] < 0.999


@pytest.mark.compiled
def test_lanes_and_single_runs_have_the_same_bits() -> None:
    benches = [cascade(kp=kp) for kp in ("10 1/s", "20 1/s", "30 1/s")]
    for bench, outcome in zip(benches, simulate_many(benches), strict=True):
        alone = simulate(bench)
        assert outcome.in_lanes and outcome.simulation is not None
        for name, trace in alone.traces.items():
            assert np.array_equal(trace, outcome.simulation.traces[name]), name


def geared(*further: Table) -> Description:
    box = {"part": "gear", "name": "box", "ratio": 3.0, "stiffness": "30 kN m/rad"}
    box |= {"damping": "5 N m s/rad", "inertia_left": "2e-3 kg m^2", "inertia_right": "2e-3 kg m^2"}
    line = [servo("drive", 0.02), encoder(), box,
            *further, coupling("c", 1e5, damping="20 N m s/rad"), encoder("far", inertia="1e-3 kg m^2"),
            servo("load", 0.2)]  # fmt: skip
    loops = [spring(50.0, 0.5), {**spring(80.0, 2.0), "name": "other", "acts_on": "load", "reads": "far"}]
    return describe({"line": line, "loop": loops, "duration": "1 ms"})


@pytest.mark.compiled
def test_encoders_of_one_line_share_one_angle() -> None:
    """Behind a gear and a spring: (θ − φ)/3 − φ'; every pole fades, no difference stays."""
    smooth = build_bench(geared(), smooth=True)
    (weight, angle), (gear, first), (own, second) = smooth.line.turned(smooth.line.places["far"].body)
    assert (angle, first, second) == (
        smooth.line.angles[0],
        *(next(e.twist for e in smooth.line.edges if e.part == name) for name in ("box", "c")),
    )
    assert (weight, gear, own) == pytest.approx((1.0 / 3.0, -1.0 / 3.0, -1.0))
    bench = HyperMap(geared())
    point = operating_point(bench.bench)
    assert np.abs(np.linalg.eigvals(bench.dynamics(bench.steady(point)))).max() < 0.9999


@pytest.mark.compiled
def test_a_held_line_has_no_angle_but_its_twists() -> None:
    soft = coupling("c", 2e3, damping="2 N m s/rad", inertia_right="1e-3 kg m^2")
    line = [servo("drive", J, rate="1 kHz"), encoder(), soft,
            {"part": "fixed_end", "name": "wall"}]  # fmt: skip
    locked = describe({"line": line, "loop": [spring(50.0, 0.5)], "duration": "1 ms"})
    smooth = build_bench(locked, smooth=True)
    assert [weight for weight, _ in smooth.line.turned(0)] == [1.0]
    assert slowest(locked).imag == pytest.approx(math.sqrt(2050.0 / J), rel=0.01)


@pytest.mark.compiled
def test_an_encoder_that_keeps_its_reading_counts_no_more() -> None:
    fault = [{"name": "dead", "on": "enc", "kind": "stuck", "at": "1 s"}]
    run = simulate(replace(cascade(), fault=describe_fault(fault)))
    late = run.time > 1.001
    assert np.ptp(run.traces["enc_position"][late]) == 0.0
    assert np.ptp(run.traces["enc_position"][run.time < 1.0]) > 10.0


def describe_fault(fault: list[Table]) -> Any:
    base = [servo("drive", J), encoder()]
    return describe({"line": base, "loop": [spring(1.0, 0.1)], "duration": "1 ms", "fault": fault}).fault


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"reads": "drive"}, 'spring.reads: "drive" counts no angle, and a bus hop carries the speed alone'),
        ({"kp": 3}, "3: kp of a loop that controls a position must be in N m/rad"),
        ({"controls": "speed"}, "is not one of: position"),
        ({"feedforward": 0.5}, "only a torque loop feeds its set-point forward"),
        ({"through": "nothing"}, '"nothing" is no speed loop; add one'),
        ({"through": "other", "damping": "0 N m s/rad"}, '"other" is no speed loop'),
        ({"active_damping": {"gain": "1 N m s/rad", "left": "drive", "right": "enc"}}, "not for a position"),
        ({"clamp": "3 rpm"}, '"3 rpm"'),
        ({"setpoint_rate": "3 N m/s"}, "the loop controls a position"),
    ],
)
def test_what_a_position_loop_is_refused(keys: Table, words: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        describe(
            {"line": [servo("drive", J), encoder()], "loop": [spring(5.0, 0.1, **keys)], "duration": "1 ms"}
        )
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("loops", "words"),
    [
        ([{"damping": "1 N m s/rad"}], "speed damps already by its kp"),
        ([{"kp": "20 N m/rad"}], "of a loop that controls a position through speed must be in 1/s"),
        ([{"acts_on": "load"}], "speed acts on drive; both loops of a cascade act on one machine"),
        ([{}, {"name": "second"}], "position commands speed already; a speed loop has one master"),
        (
            [{"controls": None, "kp": "1 N m s/rad", "ki": "0 N m/rad"}],
            'only for a position; add controls = "position"',
        ),
    ],
)
def test_what_a_cascade_is_refused(loops: list[Table], words: str) -> None:
    plain = {
        **{
            "name": "position",
            "controls": "position",
            "acts_on": "drive",
            "through": "speed",
            "reads": "enc",
        },
        **{"rate": "2 kHz", "kp": "20 1/s", "ki": "0 1/s^2", "clamp": "3000 rpm"},
    }
    made = [{k: v for k, v in {**plain, **keys}.items() if v is not None} for keys in loops]
    line = [servo("drive", J), encoder(), coupling("c", 1e4), servo("load", J)]
    with pytest.raises(ScenarioError) as caught:
        describe({"line": line, "loop": [*made, speed_loop("drive", 1.0, 0.0)], "duration": "1 ms"})
    assert words in str(caught.value)


def test_a_limiter_is_of_the_speed_loop() -> None:
    bench = tomlkit.loads((shipped_folder() / "steering-spring.toml").read_text(encoding="utf-8")).unwrap()
    limiter = {**bench["loop"][1], "name": "top", "limiter_of": "position", "limit_speed": "800 rpm"}
    with pytest.raises(
        ScenarioError, match="position commands a speed, which its clamp bounds; name speed, which"
    ):
        describe({**bench, "loop": [*bench["loop"], limiter]})


def test_an_encoder_that_times_counts_nothing() -> None:
    line = [servo("drive", J), encoder(method="timing", clock="10 MHz")]
    with pytest.raises(ScenarioError, match='enc times its edges; a position needs method = "counting"'):
        describe({"line": line, "loop": [spring(5.0, 0.1)], "duration": "1 ms"})


def test_gains_of_positions_are_not_looked_for() -> None:
    bench = cascade()
    assert named_loops(bench, (), "there is nothing to tune", tuned=True) == ("speed",)
    with pytest.raises(ScenarioError, match="position: gains of a loop on a position are not looked for"):
        named_loops(bench, ("position",), "there is nothing to tune", tuned=True)


def test_the_picture_of_the_shipped_scenario() -> None:
    """30 N m/rad turned by 90 degrees less the twist of couplings; a sine lags by some 2πf·60°/25."""
    picture = position_picture(find_run(read_scenario("steering-spring")))
    assert picture is not None
    assert re.match(r"at-drive ends 0\.\d+ deg from its set-point, 1\d\.\d deg at most on", picture.title)
    assert picture.title.endswith("spring is turned by up to 89.7 deg and takes up to 47.0 N m")
    assert position_picture(find_run(read_scenario("reference-bench", ["duration=5 ms"]))) is None
