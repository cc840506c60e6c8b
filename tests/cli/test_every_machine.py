"""Every command runs on a bench with each type of machine, gear and coupling, which none of them knows."""

import json
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from click.testing import CliRunner, Result

from fluxes import MAGNETS, mapped
from rigs import coupling, describe, servo, speed_loop, step, torque_loop
from shaftloop.analysis.fidelity.transfer import fidelity
from shaftloop.analysis.modes import find_modes
from shaftloop.analysis.tangent import line_at
from shaftloop.analysis.worstcase import analyse_loops
from shaftloop.cli.main import cli
from shaftloop_models.part import Machine, kind_of, kinds

INDUCTION = {
    "part": "machine",
    "model": "induction",
    "name": "load",
    "inertia": "0.03 kg m^2",
    "pole_pairs": 2,
    "stator_resistance": "0.7 ohm",
    "rotor_resistance": "0.6 ohm",
    "stator_leakage": "3.5 mH",
    "rotor_leakage": "4 mH",
    "main_inductance": "130 mH",
    "saturation": {"flux": "1.2 Wb"},
    "iron_resistance": "700 ohm",
    "current_limit": "60 A",
    "max_speed": "2000 rpm",
    "rated_torque": "40 N m",
    "drag": {"viscous": "2 mN m s/rad"},
}
ORIENTED = {"kind": "field_oriented", "rate": "10 kHz", "bandwidth": "400 Hz", "flux": "0.9 Wb"}
SCALAR = {
    "kind": "volts_per_hertz",
    "rate": "10 kHz",
    "frequency": "20 Hz",
    "rated_frequency": "50 Hz",
    "rated_voltage": "320 V",
    "rated_slip": "1.5 Hz",
    "ramp": "1 kHz/s",
    "slip_compensation": 0.5,
}
PM = {
    "part": "machine",
    "model": "pm_synchronous",
    "name": "load",
    "inertia": "0.03 kg m^2",
    "pole_pairs": 4,
    "resistance": "50 mohm",
    "inductance_d": "0.4 mH",
    "inductance_q": "0.6 mH",
    "flux_linkage": "0.12 Wb",
    "current_limit": "200 A",
    "max_speed": "2000 rpm",
    "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz"},
}
FLUXES = MAGNETS.rows((-200.0, -120.0, -50.0, 0.0), (0.0, 50.0, 100.0, 150.0, 200.0))
ENGINE = {
    "part": "machine",
    "model": "combustion_engine",
    "name": "load",
    "inertia": "0.03 kg m^2",
    "cylinders": 2,
    "bore": "60 mm",
    "stroke": "50 mm",
    "rod_length": "90 mm",
    "compression_ratio": 9,
    "oscillating_mass": "0.2 kg",
    "max_torque": "40 N m",
    "max_speed": "2000 rpm",
    "time_constant": "5 ms",
    "rate": "1 kHz",
    "drag": {"viscous": "5 mN m s/rad"},
}
BRAKE = {
    "part": "machine",
    "model": "brake",
    "name": "load",
    "law": "eddy_current",
    "critical_speed": "600 rpm",
    "inertia": "0.03 kg m^2",
    "max_torque": "60 N m",
    "max_speed": "2000 rpm",
    "time_constant": "5 ms",
    "rate": "2 kHz",
}
MACHINES = {
    "torque_servo": servo("load", 0.03, time_constant="1 ms", max_speed="2000 rpm"),
    "pm_synchronous": PM,
    "flux_map": mapped(FLUXES, name="load", max_speed="2000 rpm"),
    "field_oriented": INDUCTION | {"control": ORIENTED},
    "volts_per_hertz": INDUCTION | {"control": SCALAR},
    "combustion_engine": ENGINE,
    "brake": BRAKE,
}
SENSOR = {
    "part": "torque_sensor",
    "name": "ts",
    "rated": "100 N m",
    "stiffness": "30 kN m/rad",
    "inertia_left": "0.001 kg m^2",
    "inertia_right": "0.001 kg m^2",
    "sampling": "10 kHz",
    "gain_error": "0.1 %",
    "filter": {"kind": "bessel", "order": 2, "cutoff": "1 kHz"},
}


GEAR = {
    "part": "gear",
    "name": "c",
    "ratio": 1.5,
    "stiffness": "20 kN m/rad",
    "damping": "12 N m s/rad",
    "backlash": "0.1 deg",
    "efficiency": 0.97,
    "teeth": 30,
    "rated": "60 N m",
    "inertia_left": "0.001 kg m^2",
}
BENCHES = {model: (coupling("c", 2e4, damping="2 N m s/rad"), machine) for model, machine in MACHINES.items()}
BENCHES["gear"] = GEAR, MACHINES["torque_servo"]
HUB = {"rated": "30 N m", "inertia_right": "0.001 kg m^2"}
PROGRESSIVE = coupling("c", 2e4, loss_factor_psi=0.5, cubic_stiffness="2e9 N m/rad^3", **HUB)
LIMITER = coupling("c", 2e4, damping="4 N m s/rad", slip_torque="25 N m", **HUB)
JOINT = {"part": "universal_joint", "name": "c", "angle": "12 deg", "stiffness": "20 kN m/rad"}
JOINT |= {"loss_factor_psi": 0.3, "inertia_right": "0.001 kg m^2"}
BENCHES["joint"] = JOINT, MACHINES["torque_servo"]
BENCHES |= {"progressive": (PROGRESSIVE, BENCHES["gear"][1]), "limiter": (LIMITER, BENCHES["gear"][1])}
BENCHES["branch"] = BENCHES["torque_servo"]
BENCHES["differential"] = (
    {
        "part": "differential",
        "name": "c",
        "ratio": 1.5,
        "stiffness": "20 kN m/rad",
        "damping": "12 N m s/rad",
        "rated": "60 N m",
        "inertia_right": "0.001 kg m^2",
    },
    MACHINES["torque_servo"],
)
BENCHES["belt"] = (
    {
        "part": "belt",
        "name": "c",
        "ratio": 1.5,
        "stiffness": "20 kN m/rad",
        "loss_factor_psi": 0.4,
        "creep": 0.015,
        "efficiency": 0.98,
        "rated": "60 N m",
        "inertia_right": "0.001 kg m^2",
    },
    MACHINES["torque_servo"],
)
BRANCHES = {
    "branch": [
        {**GEAR, "name": "g", "after": "c", "backlash": "0 deg"},
        {"part": "bearing", "name": "wheel", "inertia": "0.02 kg m^2", "drag": {"viscous": "1 mN m s/rad"}},
        {"part": "encoder", "name": "enc", "lines": 500, "sampling": "1 kHz"},
        {"part": "shaft", "name": "s", "diameter": "25 mm", "length": "200 mm", "material": "steel"},
        {"part": "flywheel", "name": "disc", "inertia": "0.01 kg m^2"},
    ],
    "differential": [servo("other", 0.03, time_constant="1 ms", max_speed="2000 rpm", after="c")],
}


def document(model: str) -> dict[str, Any]:
    between, machine = BENCHES[model]
    drive = servo("drive", 0.05, time_constant="1 ms", max_speed="2000 rpm")
    sequence = [
        {"do": "ramp", "loop": "speed", "to": "600 rpm", "over": "0.1 s"},
        {"do": "hold", "time": "0.2 s"},
        step("torque", "-10 N m" if machine == ENGINE else "10 N m"),
        {"do": "hold", "time": "0.3 s"},
    ]
    split = model == "differential"
    torque = torque_loop(
        "drive" if split else "load", "ts", rate="5 kHz", kp=0.02, ki="10 1/s", feedforward=0.0
    )
    speeds = [speed_loop("load", 3.0, 20.0), speed_loop("other", 3.0, 20.0, name="second")]
    return {
        "title": "Bench",
        "unit": "load",
        "supply": {"voltage": "560 V"},
        "line": [drive, between, SENSOR, machine, *BRANCHES.get(model, [])],
        "loop": [*(speeds if split else [speed_loop("drive", 3.0, 20.0)]), torque],
        "sequence": sequence,
        "expect": [{"metric": "simulate.trips", "at_most": 0}],
    }


STUDY = """\
title = "Gains"
scenario = "bench.toml"
[[factor]]
path = "loop.torque.ki"
values = ["5 1/s", "10 1/s"]
[design]
kind = "grid"
[[objective]]
metric = "simulate.peak_true_torque"
goal = "minimise"
"""
COMMANDS = {
    "show": (),
    "simulate": (),
    "modes": (),
    "margins": (),
    "fidelity": (),
    "uncertainty": (),
    "check": (),
    "study": (),
    "tune": ("--loop", "torque"),
    "faults": ("--fault", "torque"),
    "size": ("--no-faults",),
}


@cache
def written(model: str, folder: Path) -> tuple[Path, Path]:
    scenario, study = folder / "bench.toml", folder / "study.toml"
    scenario.write_text(tomlkit.dumps(document(model)), encoding="utf-8")
    study.write_text(STUDY, encoding="utf-8")
    return scenario, study


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return {model: tmp_path_factory.mktemp(model) for model in BENCHES}


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, [*arguments, "--json"], catch_exceptions=False)


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("model", BENCHES)
def test_a_command_runs(model: str, command: str, folders: dict[str, Path]) -> None:
    scenario, study = written(model, folders[model])
    # A tenth of the clamp is what the proof of a tuning pushes with.
    clamp = ("--set", "loop.torque.clamp=100 N m") if command == "tune" else ()
    result = call(command, str(study if command == "study" else scenario), *COMMANDS[command], *clamp)
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)


def test_every_part_stands_on_a_bench_and_a_fixed_end_where_nothing_turns() -> None:
    """One with a fixed end does not turn, which most commands refuse: `tests/analysis/test_fixed_end.py`."""
    stated = [part for model in BENCHES for part in document(model)["line"]]
    assert {kind_of(cls) for cls in kinds()} - {part["part"] for part in stated} == {"fixed_end"}
    laws = {key for part in stated for key in ("cubic_stiffness", "slip_torque", "backlash") if key in part}
    assert laws == {"cubic_stiffness", "slip_torque", "backlash"}


@pytest.mark.compiled
@pytest.mark.parametrize("model", [m for m, (part, _) in BENCHES.items() if part["part"] != "coupling"])
def test_no_analysis_leaves_a_part_out(model: str) -> None:
    """Half as stiff, it moves modes, margins and the band in which the reading is true."""
    stiff = document(model)
    soft = deepcopy(stiff)
    part = next(part for part in soft["line"] if part["name"] == "c")
    part["stiffness"] = f"{0.5 * float(part['stiffness'].split()[0])} kN m/rad"
    found = []
    for bench in (describe(stiff), describe(soft)):
        band = next(band for band in fidelity(bench).bands["mechanical"] if band.level == "3 dB")
        margins = analyse_loops(bench, ["torque"])["torque"].margins
        found.append((find_modes(line_at(bench)[0])[0].frequency, margins.gain_margin, band.high))
    for hard, gentle in zip(*found, strict=True):
        assert hard is not None and gentle is not None and abs(gentle / hard - 1.0) > 0.05


def test_no_type_and_no_command_is_left_out() -> None:
    """Aside stand what takes no bench, asks the other commands, tries part files or reads logs."""
    models = {cls.__annotations__["model"] for cls in kinds() if issubclass(cls, Machine)}
    tried = {str(machine["model"]) for machine in MACHINES.values()}
    assert len(models) == len(tried)
    aside = {"new", "scenarios", "schema", "report", "sensors", "identify"}
    assert set(cli.commands) - set(COMMANDS) == aside
