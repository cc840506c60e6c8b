"""Gains: what counts as one, files that hold them, and what is wrong with such files."""

from pathlib import Path

import pytest

from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import read_scenario
from shaftloop.studies.checks.gains import gain_figures, gain_paths, gains_of, read_gains, with_gains


def write(folder: Path, text: str, name: str = "gains.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_gains_are_all_that_a_controller_can_be_given() -> None:
    found = gains_of(read_scenario("wheel-hub").description)
    assert found["loop.torque.kp"] == "0.1" and found["loop.torque.ki"] == "120 1/s"
    assert found["loop.speed.kp"] == "5 N m s/rad" and found["loop.torque.setpoint_rate"] == "4000 N m/s"
    assert found["loop.overspeed.limit_speed"] == "1400 rpm"
    assert found["loop.torque.filters.0.frequency"] == "78 Hz"
    assert not any(path.endswith((".rate", ".reads", ".acts_on", ".output_latency")) for path in found)
    # What equals its default is not listed, though it can be set.
    assert "loop.torque.feedforward" not in found
    assert "loop.torque.feedforward" in gain_paths(read_scenario("wheel-hub").description)


def test_gains_can_be_put_back_as_they_were() -> None:
    for name in ("wheel-hub", "micro-spindle", "truck-axle", "reference-bench"):
        before = gains_of(read_scenario(name).description)
        settings = [f"{path}={value}" for path, value in before.items()]
        assert gains_of(read_scenario(name, settings).description) == before


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (
            "g.toml",
            '[loop.torque]\nkp = 0.14\nki = "160 1/s"\n[[loop.torque.filters]]\nfrequency = "80 Hz"\n',
        ),
        ("g.toml", 'loop.torque = { kp = 0.14, ki = "160 1/s", filters = [{ frequency = "80 Hz" }] }\n'),
        (
            "g.TOML",
            '"loop.torque.kp" = 0.14\n"loop.torque.ki" = "160 1/s"\n'
            '"loop.torque.filters.0.frequency" = "80 Hz"\n',
        ),
        (
            "g.csv",
            "path,value\nloop.torque.kp,0.14\nloop.torque.ki, 160 1/s\n\n"
            "loop.torque.filters.0.frequency,80 Hz",
        ),
        (
            "g.csv",
            "\ufeffpath,value\r\nloop.torque.kp,0.14\r\nloop.torque.ki,160 1/s\r\n"
            "loop.torque.filters.0.frequency,80 Hz\r\n",
        ),
    ],
)
def test_a_file_replaces_gains(tmp_path: Path, name: str, text: str) -> None:
    path = tmp_path / name
    path.write_bytes(text.encode())
    found = gains_of(with_gains("wheel-hub", (), read_gains(path)).description)
    changed = {"kp": "0.14", "ki": "160 1/s", "filters.0.frequency": "80 Hz"}
    expected = gains_of(read_scenario("wheel-hub").description)
    assert found == expected | {f"loop.torque.{key}": value for key, value in changed.items()}


def test_flags_choices_and_what_was_not_stated_can_be_given(tmp_path: Path) -> None:
    text = '[loop.torque]\nanti_windup = "conditional"\nfeedforward = 1\n'
    text += '[loop.speed]\nsetpoint_rate = "900 rpm/s"\n'
    found = gains_of(with_gains("wheel-hub", (), read_gains(write(tmp_path, text))).description)
    assert found["loop.torque.anti_windup"] == "conditional" and found["loop.torque.feedforward"] == "1"
    assert found["loop.speed.setpoint_rate"] == "94.24777961 rad/s^2"


def test_a_rate_of_positions_is_a_speed() -> None:
    settings = ("loop.position.setpoint_rate=90 deg/s",)
    assert (
        gains_of(read_scenario("steering-spring", settings).description)["loop.position.setpoint_rate"]
        == "15 rpm"
    )


def test_settings_hold_beside_gains(tmp_path: Path) -> None:
    gains = read_gains(write(tmp_path, "loop.torque.kp = 0.2\n"))
    scenario = with_gains("wheel-hub", ("loop.torque.kp=0.3", "loop.torque.clamp=100 N m"), gains)
    found = gains_of(scenario.description)
    assert (found["loop.torque.kp"], found["loop.torque.clamp"]) == ("0.2", "100 N m")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "[loop.torqe]\nkp = 0.1\n",
            'gains.toml:2: "loop.torqe.kp" is no gain of this bench; nearest: loop.torque.kp',
        ),
        (
            "[loop.torque]\nxyzzy = 0.1\n",
            'gains.toml:2: "loop.torque.xyzzy" is no gain of this bench; nearest: loop.torque.',
        ),
        (
            "[[loop]]\nkp = 0.1\n",
            'gains.toml:2: "loop.0.kp" is no gain of this bench; loops go by their names here',
        ),
        ("q = 1\n", 'gains.toml:1: "q" is no gain of this bench; known: loop.speed.kp, loop.speed.ki,'),
        (
            '[loop.torque]\nrate = "4 kHz"\n',
            'gains.toml:2: "loop.torque.rate" is no gain of this bench',
        ),
        ('line.ts.latency = "1 ms"\n', 'gains.toml:1: "line.ts.latency" is no gain of this bench'),
        (
            '[loop.torque]\nki = "120 Hz"\n',
            'gains.toml:2: loop.torque.ki: "120 Hz": the unit Hz does not fit; expected 1/s or N m/rad',
        ),
        ("[loop.torque]\nkp = -1\n", "gains.toml:2: loop.torque.kp: -1 is out of range; allowed: at least 0"),
        ("[loop.torque]\nkp = 1979-05-27\n", "gains.toml:2: loop.torque.kp: neither a number nor a text"),
        ("loop.torque.anti_windup = true\n", "gains.toml:1: loop.torque.anti_windup: True is not one of"),
        ("", "gains.toml: holds no gain; write e.g. loop.torque.kp = 0.14"),
        ("[loop", "gains.toml:1: not valid TOML"),
    ],
)
def test_a_bad_file_is_named_with_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path, text)
    with pytest.raises(ScenarioError) as caught:
        with_gains("wheel-hub", (), read_gains(tmp_path / "gains.toml"))
    (found,) = caught.value.messages
    assert found.startswith(message)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("kp,ki\n1,2\n", 'gains.csv:1: the first line must be path,value, not "kp,ki"'),
        ("", 'gains.csv:1: the first line must be path,value, not ""'),
        ("path,value\na\n", 'gains.csv:2: expected path,value, not "a"'),
        ("path,value\na,\n", 'gains.csv:2: expected path,value, not "a,"'),
        ("path,value\na,1,2\n", 'gains.csv:2: expected path,value, not "a,1,2"'),
        ("path,value\n", "gains.csv: holds no gain"),
        ("path,value\na\x00,1\n", r"gains.csv:2: the character '\x00' in a cell; take it out"),
        (
            "path,value\n\nloop.torque.kp,abc\n",
            'gains.csv:3: loop.torque.kp: "abc": not a number with a unit',
        ),
        (
            "path,value\n" + "a" * 200_000 + ",1\n",
            "gains.csv:2: not a CSV file: field larger than field limit",
        ),
    ],
)
def test_a_bad_table_is_named_with_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path, text, "gains.csv")
    with pytest.raises(ScenarioError) as caught:
        with_gains("wheel-hub", (), read_gains(tmp_path / "gains.csv"))
    assert caught.value.messages[0].startswith(message)


def test_other_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"neither a \.toml nor a \.csv file"):
        read_gains(write(tmp_path, "x", "gains.py"))
    with pytest.raises(ScenarioError, match="cannot be read: No such file"):
        read_gains(tmp_path / "none.toml")
    with pytest.raises(ScenarioError, match="is no UTF-8 text"):
        (tmp_path / "g.csv").write_bytes(b"path,value\n\xff,1\n")
        read_gains(tmp_path / "g.csv")
    with pytest.raises(ScenarioError, match="no such file and no shipped scenario"):
        with_gains("none", (), read_gains(write(tmp_path, "loop.torque.kp = 1\n")))


def test_a_fault_elsewhere_keeps_its_own_place(tmp_path: Path) -> None:
    gains = read_gains(write(tmp_path, "loop.torque.kp = 0\n"))
    with pytest.raises(ScenarioError) as caught:
        with_gains("wheel-hub", ("loop.speed.reads=ts",), gains)
    assert any("loop.speed" in message for message in caught.value.messages)


def test_gains_are_figures_in_si_units() -> None:
    model = 'loop.torque.predictor={model_gain=0.6,time_constant="3 ms",delay="2 samples"}'
    settings = ["loop.torque.setpoint_rate=4 kN m/s", "loop.overspeed.limit_speed=1200 rpm", model]
    found = gain_figures(read_scenario("wheel-hub", settings).description)
    told = {name: (figure.value, figure.unit) for name, figure in found.items()}
    assert told["torque.kp"] == (0.1, "1") and told["torque.ki"] == (120.0, "1/s")
    assert told["speed.kp"] == (5.0, "N m s/rad") and told["torque.setpoint_rate"] == (4000.0, "N m/s")
    assert told["overspeed.limit_speed"] == (pytest.approx(125.66370614), "rad/s")
    assert told["torque.filters.0.frequency"] == (78.0, "Hz")
    assert told["torque.predictor.delay"] == (pytest.approx(1e-3), "s")  # at 2 kHz
    assert not any(name.endswith((".rate", ".reads", ".acts_on")) for name in found)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("g.csv", "path,value\nloop.torque.kp,0.14\nloop.torque.ki,160 1/s\nloop.torque.kp,0.14\n"),
        ("g.toml", '"loop.torque.kp" = 0.14\n[loop.torque]\nki = "160 1/s"\nkp = 0.15\n'),
    ],
)
def test_a_gain_that_is_listed_twice_is_refused(tmp_path: Path, name: str, text: str) -> None:
    line = 4
    first = 2 if name == "g.csv" else 1
    with pytest.raises(ScenarioError) as caught:
        read_gains(write(tmp_path, text, name))
    (message,) = caught.value.messages
    assert message.endswith(
        f'{name}:{line}: "loop.torque.kp" stands in line {first} already; leave one of them out'
    )
