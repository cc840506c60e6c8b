"""What ships: every scenario reads, matches the schema, and reference-bench is the specified problem."""

import json
import math
import shutil
import tomllib
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest

from shaftloop.scenario import derive, description, reading, schema, shipped, units
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.schema import json_schema, schema_text
from shaftloop.scenario.shipped import shipped_folder, shipped_names, shipped_scenarios
from shaftloop_models.parameters import Delay, Gain

REPOSITORY = Path(__file__).parents[2]


def test_names_and_titles() -> None:
    assert shipped_names() == [
        *("axle-split", "belt-creep", "broken-coupling", "cardan-pump", "e-bike", "eddy-brake"),
        *("emergency-stop", "four-cylinder", "geared-reversal", "grid-loss", "grid-loss-braked"),
        *("hour-of-duty", "micro-spindle", "rectifier-hub", "reference-bench", "saturated-drive"),
        *("sensor-cable", "steering-spring", "sticking-start", "torque-limiter", "truck-axle"),
        *("two-inverters", "two-way-hub"),
        *("warm-rotor", "wheel-hub"),
    ]
    for scenario in shipped_scenarios():
        assert scenario.title == read_scenario(scenario.name).description.title
        assert scenario.path == REPOSITORY / "scenarios" / f"{scenario.name}.toml"


def test_folder_inside_a_wheel_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shipped, "__file__", str(tmp_path / "shipped.py"))
    shutil.copytree(REPOSITORY / "scenarios", tmp_path / "shipped")
    assert shipped_folder.__wrapped__() == tmp_path / "shipped"


@pytest.mark.parametrize("name", shipped_names())
def test_reads_without_a_warning(name: str) -> None:
    scenario = read_scenario(name)
    assert scenario.warnings == ()
    assert scenario.name == name
    if name != "reference-bench":
        assert scenario.description.unit == "drive"
        assert scenario.description.limit


@pytest.mark.parametrize(
    "path", sorted((REPOSITORY / "scenarios" / "parts").glob("*.toml")), ids=lambda p: p.stem
)
def test_every_part_file_is_a_whole_part(path: Path) -> None:
    part, errors = derive.validate(
        description.Part, {"name": "x", **tomllib.loads(path.read_text(encoding="utf-8"))}
    )
    assert errors == []
    assert part.elements()


def test_part_files_are_used() -> None:
    used = "".join(path.read_text(encoding="utf-8") for path in (REPOSITORY / "scenarios").glob("*.toml"))
    used += (REPOSITORY / "docs" / "scenario.md").read_text(encoding="utf-8").replace("`", '"')
    for path in (REPOSITORY / "scenarios" / "parts").glob("*.toml"):
        # Torque sensors also ship as candidates of `shaftloop sensors`.
        candidate = tomllib.loads(path.read_text(encoding="utf-8"))["part"] == "torque_sensor"
        assert candidate or f'"parts/{path.name}"' in used


def test_reference_bench_is_the_specified_problem() -> None:
    bench = read_scenario("reference-bench").description
    bodies = [0.0]
    springs = []
    for part in bench.line:
        for element in part.elements():
            if hasattr(element, "stiffness"):
                springs.append((element.stiffness, element.damping, element.branches))
                bodies.append(0.0)
            else:
                bodies[-1] += element.value
    assert bodies == [0.02, 0.0012, 0.0012, 0.03]
    assert springs == [(2.5e4, 2.0, ()), (6e4, 1.0, ()), (2.5e4, 2.0, ())]
    assert bench.supply.voltage / math.sqrt(3) == pytest.approx(350.0, rel=1e-15)
    for machine in (bench.line[0], bench.line[4]):
        assert (machine.pole_pairs, machine.resistance, machine.flux_linkage) == (4, 0.05, 0.12)
        assert (machine.inductance_d, machine.inductance_q) == (0.4e-3, 0.6e-3)
        drag = machine.drag
        assert (drag.viscous, drag.coulomb, drag.smoothing, drag.windage) == (0.002, 0.2, 0.5, 0.0)
        control = machine.current_control
        assert (control.rate, control.bandwidth, control.phase) == (8000, 400.0, 0)
        assert (control.strategy, control.field_weakening, control.modulation) == ("zero_d", False, 1.0)
        assert machine.iron_loss.hysteresis == machine.iron_loss.eddy == machine.inverter.constant == 0.0
    sensor = bench.line[2]
    assert (sensor.filter.kind, sensor.filter.order, sensor.filter.cutoff) == ("bessel", 2, 1200.0)
    assert (sensor.sampling, sensor.latency, sensor.range) == (
        10000,
        Delay(Fraction(3), in_samples=True),
        500.0,
    )
    assert sensor.quantiser_step() == 1000 / 65536
    assert (sensor.gain_error, sensor.zero, sensor.nonlinearity, sensor.noise_density) == (0.0, 0.0, 0.0, 0.0)


def test_reference_bench_has_the_specified_loops_and_task() -> None:
    bench = read_scenario("reference-bench").description
    speed, torque = bench.loop
    assert (speed.acts_on, speed.reads, speed.kp, speed.ki) == (
        "drive",
        "drive",
        Gain(7.0, "N m s/rad"),
        Gain(60.0, "N m/rad"),
    )
    assert (torque.acts_on, torque.reads, torque.kp, torque.ki) == (
        "load",
        "ts",
        Gain(0.4, "1"),
        Gain(340.0, "1/s"),
    )
    for loop in bench.loop:
        assert (loop.rate, loop.clamp, loop.output_latency) == (
            4000,
            200.0,
            Delay(Fraction(1), in_samples=True),
        )
        assert (loop.anti_windup, loop.feedforward, loop.setpoint_rate, loop.filters) == (
            "back_calculation",
            0.0,
            None,
            (),
        )
    ramp, pulses = bench.sequence
    assert (ramp.to, ramp.over, ramp.wait) == (pytest.approx(50 * math.pi, rel=1e-15), Fraction(1, 2), False)
    assert (pulses.low, pulses.high, pulses.period) == (0.0, 80.0, Fraction(1, 5))
    assert (pulses.rise, pulses.fall, pulses.time) == (Fraction(1, 100), Fraction(11, 100), None)
    assert (bench.duration, bench.record.rate) == (2, 10000)


def test_committed_schema_is_fresh() -> None:
    committed = Path(schema.__file__).with_name("schema.json")
    assert committed.read_text(encoding="utf-8") == schema_text(), f"run shaftloop schema > {committed}"


@pytest.mark.parametrize("name", shipped_names())
def test_shipped_scenarios_match_the_schema(name: str) -> None:
    validator = jsonschema.Draft202012Validator(json_schema())
    assert not list(
        validator.iter_errors(tomllib.loads((shipped_folder() / f"{name}.toml").read_text(encoding="utf-8")))
    )


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('stiffness = "60 kN m/rad"', "stiffness = 60"),
        ('part = "torque_sensor"', 'part = "torque_sensr"'),
        ('rated = "200 N m"\n', ""),
        ("kp = 0.3", "kpp = 0.3"),
        ('name = "bus"', 'name = "the bus"'),
        ('do = "step"', 'do = "jump"'),
    ],
)
def test_schema_refuses_what_the_reader_refuses(small_bench: str, bench, old: str, new: str) -> None:
    validator = jsonschema.Draft202012Validator(json_schema())
    assert validator.is_valid(tomllib.loads(small_bench))
    assert not validator.is_valid(tomllib.loads(small_bench.replace(old, new)))
    assert bench.messages((old, new))


def test_schema_states_units_and_ranges() -> None:
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    coupling = schema["$defs"]["Coupling"]["properties"]
    assert coupling["stiffness"]["description"] == "torsional stiffness [N m/rad], above 0"
    assert coupling["loss_factor_psi"]["anyOf"][0] == {
        "type": "number",
        "exclusiveMinimum": 0.0,
        "maximum": 3.0,
    }
    assert "times" not in schema["$defs"]["Trace"]["properties"]
    assert schema["$defs"]["CouplingOverride"]["required"] == ["from"]
    assert json.loads(schema_text()) == schema


@pytest.mark.parametrize(
    "module", [derive, description, reading, schema, shipped, units], ids=lambda m: m.__name__
)
def test_public_names_are_listed_sorted_and_exist(module) -> None:
    assert module.__all__ == sorted(
        module.__all__, key=lambda name: (not name.isupper(), name[0].islower(), name)
    )
    assert all(hasattr(module, name) for name in module.__all__)
