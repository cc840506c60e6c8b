"""Records as test stands leave them, of benches that shaftloop did not simulate, against their truth."""

import datetime
from pathlib import Path

import numpy as np
import pytest

from realbench import RPM, STEP, Motion, Truth, moved, poles, random_steps
from shaftloop.analysis.logs.evenly import mean_around
from shaftloop.analysis.logs.frequency import ResponseDemand
from shaftloop.analysis.logs.spectra import local_response
from shaftloop.answers.identify import find_fit, find_response
from shaftloop.scenario.reading import Scenario, read_scenario

CONSTANT = 1.35
"""Torque over current of either motor. [N m/A]"""
BEGUN = 0.25
"""Of the motion, from which the records show it. [s]"""

BENCH = """
title = "Two motors on a shaft"
duration = "2 s"

[[line]]
part = "machine"
model = "torque_servo"
name = "drive"
inertia = "0.011 kg m^2"
rate = "20 kHz"
time_constant = "1 ms"
max_torque = "60 N m"
max_speed = "3000 rpm"
drag = { viscous = "0.01 N m s/rad", coulomb = "0.4 N m", smoothing = "0.3 rad/s" }

[[line]]
part = "encoder"
name = "enc"
lines = 4096
sampling = "1 kHz"
inertia = "1e-6 kg m^2"

[[line]]
part = "coupling"
name = "c1"
stiffness = "8 kN m/rad"
damping = "0.8 N m s/rad"

[[line]]
part = "torque_sensor"
name = "ts"
rated = "50 N m"
stiffness = "30 kN m/rad"
damping = "0.3 N m s/rad"
inertia_left = "8e-4 kg m^2"
inertia_right = "8e-4 kg m^2"
filter = { kind = "bessel", order = 2, cutoff = "600 Hz" }
sampling = "20 kHz"
range = "100 N m"
bits = 16

[[line]]
part = "coupling"
name = "c2"
stiffness = "6 kN m/rad"
damping = "0.8 N m s/rad"

[[line]]
part = "machine"
model = "torque_servo"
name = "load"
inertia = "0.022 kg m^2"
rate = "20 kHz"
time_constant = "1 ms"
max_torque = "60 N m"
max_speed = "3000 rpm"
drag = { viscous = "0.01 N m s/rad", coulomb = "0.4 N m", smoothing = "0.3 rad/s" }

[[loop]]
name = "speed"
acts_on = "drive"
reads = "enc"
rate = "1 kHz"
kp = "2 N m s/rad"
ki = "20 N m/rad"
clamp = "60 N m"
output_latency = "1 sample"

[[loop]]
name = "torque"
acts_on = "load"
reads = "ts"
rate = "20 kHz"
kp = 0.1
ki = "10 1/s"
clamp = "60 N m"
output_latency = "0 s"

[record]
rate = "10 kHz"
"""

STATED = """
[log]
delimiter = ";"
decimal = ","
encoding = "latin-1"
names = 3
units = 4
time = "Datum"
time_format = "%d.%m.%Y %H:%M:%S,%f"

[[log.column]]
header = "n_ist"
channel = "drive_speed"

[[log.column]]
header = "n_soll"
channel = "speed_setpoint"
plays = true

[[log.column]]
header = "Iq_Antrieb"
channel = "drive_torque"
unit = "N m"
gain = 1.35

[[log.column]]
header = "Iq_Last"
channel = "load_torque"
unit = "N m"
gain = 1.35

[[log.column]]
header = "M_Welle"
channel = "reading"

[[log.column]]
header = "M_soll_Last"
channel = "torque_command"
sign = -1
held = true
plays = true
"""


def bench(folder: Path, *settings: str) -> Scenario:
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    return read_scenario(folder / "bench.toml", settings)


def motion(truth: Truth, seconds: float, rpm: float) -> Motion:
    """Return the motion under a load that steps at random."""
    load = -15.0 + random_steps(np.random.default_rng(3), seconds, 0.02, 6.0)
    return moved(truth, np.full(len(load), rpm * RPM), load, rpm * RPM)


def written(folder: Path, seen: Motion, noise: float = 1.0) -> Path:
    """Write the record of one logger at 2 kHz, in the way of a German test stand."""
    rng = np.random.default_rng(4)
    at = np.arange(round(BEGUN / STEP), len(seen.time), 10)
    rows = np.column_stack(
        (
            seen.counted[at] / RPM,
            np.full(len(at), 600.0),
            seen.torque[at] / CONSTANT + noise * 0.02 * rng.normal(size=len(at)),
            seen.load_torque[at] / CONSTANT + noise * 0.02 * rng.normal(size=len(at)),
            np.round((seen.reading[at] + 0.35 + noise * 0.05 * rng.normal(size=len(at))) * 327.68) / 327.68,
            seen.load_command[at],
        )
    )
    begin = datetime.datetime(2027, 3, 1, 10, 15)
    lines = [
        "Prüfstand 2;;;;;;;",
        "Kanäle;6;;;;;;",
        "Datum;n_ist;n_soll;Iq_Antrieb;Iq_Last;M_Welle;M_soll_Last;Status",
        ";1/min;1/min;A;A;N.m;Nm;",
    ]
    for i, row in enumerate(rows.tolist()):
        stamp = (begin + datetime.timedelta(seconds=i / 2000)).strftime("%d.%m.%Y %H:%M:%S,%f")
        lines.append(";".join([stamp, *(f"{x:.4f}".replace(".", ",") for x in row), "RUN"]))
    (folder / "stand.csv").write_text("\n".join(lines) + "\n", encoding="latin-1")
    (folder / "stand.toml").write_text(STATED, encoding="utf-8")
    return folder / "stand.csv"


def torsional() -> complex:
    """Return the pole of the two motors against each other [1/s]."""
    return complex(min(poles(Truth()), key=lambda pole: abs(abs(pole) - 2.0 * np.pi * 100.0)))


@pytest.fixture(scope="module")
def stand(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("stand"), motion(Truth(), 2.25, 600.0))


def test_the_response_of_a_speed_controlled_shaft_shows_its_mode(stand: Path) -> None:
    found = find_response([stand], ResponseDemand("torque_command", "reading")).found.resonances
    assert found is not None
    (mode,) = found.modes
    true = torsional()
    low, high = mode.interval("frequency")
    assert low <= abs(true) / (2.0 * np.pi) <= high and high - low < 2.0
    low, high = mode.interval("damping")
    assert low <= -true.real / abs(true) <= high and high - low < 0.02


def test_the_truth_is_found_from_currents_a_late_encoder_and_held_commands(stand: Path) -> None:
    free = ["line.c1.stiffness", "line.load.inertia", "line.drive.inertia", "line.ts.filter.cutoff"]
    free += ["line.drive.time_constant", "line.load.time_constant"]
    free += ["log.n_ist.late", "log.M_Welle.zero=0 N m ± 2 N m"]
    found = find_fit(bench(stand.parent), [stand], free, lead=0.5)
    true = Truth()
    expected = [true.stiffness[0], true.inertia[3], true.inertia[0], true.cutoff, true.lag, true.lag]
    for entry, value in zip(found.fit.estimates, [*expected, 0.75e-3, 0.35], strict=True):
        assert entry.value == pytest.approx(value, abs=3.5 * entry.deviation), entry.free.path
    spreads = [entry.deviation / value for entry, value in zip(found.fit.estimates, expected, strict=False)]
    assert max(spreads) < 0.1
    # Taken as a straight line between samples, the command would come half a sample early.
    assert found.fit.estimates[5].value == pytest.approx(true.lag, abs=2e-6)


def test_a_log_that_is_misread_is_told_so(tmp_path: Path) -> None:
    path = written(tmp_path, motion(Truth(), 0.75, 600.0))
    found = find_fit(bench(tmp_path), [path], ["line.load.inertia"], options=["column.M_soll_Last.sign=1"])
    assert any(reason.startswith("load_torque mirrors the bench as stated") for reason in found.against)
    assert any(
        reason.startswith("drive_speed begins in the middle of a run, the bench at rest: state a `lead`")
        for reason in found.against
    )


def test_two_loggers_show_no_more_than_the_slower_one_has_seen(tmp_path: Path) -> None:
    """Ten samples of the inverter for one of the torque meter, which starts late, off in time, with a gap."""
    seen, rng = motion(Truth(cogging=3.0), 2.25, 300.0), np.random.default_rng(5)
    at = np.arange(round(BEGUN / STEP), len(seen.time), 2)
    fast = (1e3 * (seen.time[at] - BEGUN), seen.speed[at] / RPM, seen.load_command[at])
    header = "Time (ms)\tSpeed (rpm)\tCmd load (Nm)"
    np.savetxt(tmp_path / "inverter.csv", np.column_stack(fast), "%.5f", "\t", header=header, comments="")
    true = np.arange(0.6, 2.2, 1e-3)
    true = true[(true < 1.2) | (true > 1.3)]
    clock = (true - BEGUN) * (1.0 - 1e-4) + 0.4
    torque, speed = (np.interp(true, seen.time, values) for values in (seen.reading, seen.speed / RPM))
    slow = (clock, torque + 0.02 * rng.normal(size=len(true)), speed + 0.3 * rng.normal(size=len(true)))
    header = "time [s],torque [N*m],Speed [1/min]"
    np.savetxt(tmp_path / "meter.csv", np.column_stack(slow), "%.6f", ",", header=header, comments="")
    (tmp_path / "inverter.toml").write_text('[log]\ndelimiter = "tab"\ntime = "Time"\n', encoding="utf-8")
    logs = [tmp_path / "inverter.csv", tmp_path / "meter.csv"]
    found = find_response(logs, ResponseDemand("Cmd load", "torque", speed="Speed", orders=(24.0,))).found
    assert found.period == pytest.approx(1e-3, rel=1e-3) and found.resonances is not None
    (mode,) = found.resonances.modes
    low, high = mode.interval("frequency")
    assert low <= abs(torsional()) / (2.0 * np.pi) <= high and high - low < 2.0
    offset = found.parts[1].clock
    assert offset is not None and offset.offset_spread < 1e-5
    assert 0.4 + offset.offset - 1e-4 * (offset.middle - 0.4) == pytest.approx(0.0, abs=2e-5)


def test_an_average_over_time_is_taken_out_of_a_response() -> None:
    """The gain of a mean over T is sin(pi f T) / (pi f T)."""
    period, rng = 1e-3, np.random.default_rng(0)
    time, at = np.arange(0.0, 4.0, 1e-5), np.arange(0.1, 3.9, period)
    sine = np.sin(2.0 * np.pi * 200.0 * time)
    gain = np.sin(0.2 * np.pi) / (0.2 * np.pi)
    assert np.std(mean_around(at, time, sine, period)) == pytest.approx(gain * np.std(sine), rel=1e-3)
    plain = local_response(rng.normal(size=(1000, 1)) * [1.0, 1.0, gain], period)
    index = int(np.argmin(np.abs(plain.frequency - 200.0)))
    assert abs(plain.without_means(0.0, period).value[index]) == pytest.approx(1.0, rel=1e-9)
    assert abs(plain.without_means(period, 0.0).value[index]) == pytest.approx(gain**2, rel=1e-9)
