"""A whole check on figures that are closed forms of the gains."""

from pathlib import Path

import pytest

from checkbench import EXPECTED, fake_figures, write_bench
from shaftloop.errors import ScenarioError
from shaftloop.report.check.tables import verdict
from shaftloop.scenario.shipped import is_shipped, shipped_folder
from shaftloop.studies.checks.baseline import baseline_text, take
from shaftloop.studies.checks.collect import baseline_file, collect
from shaftloop.studies.checks.compare import compare_gains
from shaftloop.studies.checks.gains import GainsFile
from shaftloop.studies.checks.run import AS_STATED, CheckedScenario, check_scenario


@pytest.fixture(autouse=True)
def closed_forms(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    fake_figures(monkeypatch)
    monkeypatch.chdir(tmp_path)


def kp(value: float) -> GainsFile:
    return GainsFile("g.toml", (("loop.torque.kp", repr(value), 1),))


def baseline_of(path: Path) -> Path:
    checked = check_scenario(path, compare=False)
    place = path.with_suffix(".baseline.toml")
    place.write_text(baseline_text(take(checked.scenario, checked.found, "1"), path.stem), encoding="utf-8")
    return place


def broken(checked: CheckedScenario) -> dict[str, tuple[str, ...]]:
    return {v.expectation.label: tuple(v.broken) for v in checked.verdicts if v.broken}


def test_a_bench_that_keeps_its_bounds(tmp_path: Path) -> None:
    checked = check_scenario(write_bench(tmp_path / "b.toml"))
    assert checked.status == "passed" and broken(checked) == {}
    assert checked.reference is None and checked.gain_changes == {}
    assert [v.now for v in checked.verdicts] == pytest.approx([1.4, 60.0, 0.01])


def test_a_part_beyond_its_limit_is_said_whatever_is_expected(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml")
    assert check_scenario(path).overloads == ()
    checked = check_scenario(path, gains=kp(0.65))
    assert (
        "the run takes drive beyond its limit of speed, and no expectation holds it" in checked.overloads[0]
    )
    assert set(checked.overloads) <= set(checked.warnings)
    assert "but the run takes drive beyond its limit of speed" in verdict([checked])[0]
    # Only what is expected is kept.
    assert set(checked.found) == {entry.expectation.metric for entry in checked.verdicts}


def test_gains_are_compared_with_the_scenario_as_it_stands(tmp_path: Path) -> None:
    checked = check_scenario(write_bench(tmp_path / "b.toml"), gains=kp(0.65))
    assert checked.status == "failed"
    assert broken(checked) == {
        "margins.torque.ms": ("at_most", "tolerance"),
        "phase": ("tolerance",),
    }
    assert checked.reference is not None and checked.reference.label == AS_STATED
    assert checked.gain_changes == {"loop.torque.kp": ("0.4", "0.65")}


def test_gains_are_compared_with_a_baseline(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml")
    place = baseline_of(path)
    assert check_scenario(path, baseline=place).status == "passed"
    edited = write_bench(tmp_path / "b.toml", EXPECTED, ("kp = 0.40", "kp = 0.42"))
    better = check_scenario(edited, baseline=place)
    assert better.status == "passed" and better.stale == ()
    assert better.gain_changes == {"loop.torque.kp": ("0.4", "0.42")}
    edited = write_bench(tmp_path / "b.toml", EXPECTED, ("kp = 0.40", "kp = 0.44"))
    assert broken(check_scenario(edited, baseline=place)) == {"phase": ("tolerance",)}


def test_a_baseline_of_another_version_of_the_bench_fails_and_judges_no_change(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml")
    place = baseline_of(path)
    edits = ('latency = "3 samples"', 'latency = "4 samples"'), ("kp = 0.40", "kp = 0.50")
    checked = check_scenario(write_bench(path, EXPECTED, *edits), baseline=place)
    assert checked.stale == ("line.ts",) and checked.status == "failed"
    assert broken(checked) == {}
    assert [v.drift.kind for v in checked.verdicts if v.drift] == ["worse", "worse", "better"]


def test_an_expectation_that_the_baseline_does_not_know_is_named(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml", EXPECTED[: EXPECTED.rindex("[[expect]]")])
    place = baseline_of(path)
    checked = check_scenario(write_bench(path), baseline=place)
    assert checked.unknown == ("simulate.torque_rise_time",) and checked.status == "passed"


def test_a_figure_whose_unit_is_another_now_is_named(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml")
    place = baseline_of(path)
    place.write_text(place.read_text(encoding="utf-8").replace("60 deg", "60 Hz"), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        check_scenario(path, baseline=place)
    assert str(caught.value) == (
        "b.baseline.toml: values.margins.torque.phase_margin: the unit Hz does not fit; expected deg; "
        "write it anew with `update_baseline`"
    )


def test_an_unstable_bench_keeps_no_bound(tmp_path: Path) -> None:
    checked = check_scenario(write_bench(tmp_path / "b.toml"), gains=kp(1.5))
    assert broken(checked) == {"margins.torque.ms": ("value",), "phase": ("value",)}


def test_a_simulation_that_fails_is_an_error_and_the_margins_are_judged(tmp_path: Path) -> None:
    checked = check_scenario(write_bench(tmp_path / "b.toml"), gains=kp(6.0))
    assert [v.status for v in checked.verdicts] == ["failed", "failed", "error"]
    assert checked.status == "error"


def test_nothing_expected_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"b\.toml: nothing is expected; add an \[\[expect\]\]"):
        check_scenario(write_bench(tmp_path / "b.toml", ""))


def test_folders_are_searched(tmp_path: Path) -> None:
    write_bench(tmp_path / "x" / "one.shaftloop.toml", "")
    write_bench(tmp_path / "x" / "deep" / "two.toml")
    (tmp_path / "x" / "broken.toml").write_text("[[expect]\n  [[ expect ]]  # not TOML", encoding="utf-8")
    for name in ("plain.toml", "two.baseline.toml", "pyproject.toml", ".hidden/three.shaftloop.toml"):
        write_bench(tmp_path / "x" / name, "" if "." not in name[1:-5] else EXPECTED)
    (tmp_path / "x" / "dir.shaftloop.toml").mkdir()
    found = ["x/broken.toml", "x/deep/two.toml", "x/one.shaftloop.toml"]
    assert collect(["x"]) == found
    assert collect(["x", "wheel-hub", "x/deep/two.toml", "none.toml"]) == [*found, "wheel-hub", "none.toml"]


def test_a_folder_without_a_scenario_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(ScenarioError, match="the folder holds no scenario: no "):
        collect(["empty"])


def test_a_folder_with_a_file_that_cannot_be_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_bench(tmp_path / "x" / "a.toml")
    opened = Path.open

    def refuse(self: Path, *rest: object) -> object:
        if self.name == path.name:
            raise PermissionError(13, "Permission denied")
        return opened(self, *rest)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(ScenarioError, match="cannot be read: Permission denied"):
        collect(["x"])


def test_where_a_baseline_is_kept() -> None:
    shipped = shipped_folder() / "wheel-hub.toml"
    assert is_shipped(shipped) and baseline_file(shipped, None) is None
    assert baseline_file(shipped, Path("b.toml")) == Path("b.toml")
    assert baseline_file(shipped, Path("folder")) == Path("folder/wheel-hub.baseline.toml")
    assert baseline_file(Path("a/hub.shaftloop.toml"), None) == Path("a/hub.shaftloop.baseline.toml")


def test_nothing_is_drawn_without_a_change_of_gains(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml")
    with pytest.raises(ScenarioError, match="no gain has changed"):
        compare_gains(check_scenario(path))
    text = (shipped_folder() / "wheel-hub.toml").read_text(encoding="utf-8")
    hub = tmp_path / "hub.toml"
    hub.write_text(text[: text.index("\n# What `shaftloop check")] + EXPECTED, encoding="utf-8")
    clamp = GainsFile("g.toml", (("loop.overspeed.kp", '"2 N m s/rad"', 1),))
    with pytest.raises(ScenarioError, match="no gain of a loop has changed"):
        compare_gains(check_scenario(hub, gains=clamp))


def test_gains_that_the_baseline_lacks_cannot_be_put_back(tmp_path: Path) -> None:
    path = write_bench(tmp_path / "b.toml")
    place = baseline_of(path)
    edited = write_bench(path, EXPECTED, ("kp = 0.40", 'kp = 0.40\nsetpoint_rate = "4 kN m/s"'))
    with pytest.raises(
        ScenarioError, match=r"b\.baseline\.toml does not hold loop\.torque\.setpoint_rate, so"
    ):
        compare_gains(check_scenario(edited, baseline=place))


def test_a_gain_that_must_not_change_is_held(tmp_path: Path) -> None:
    held = '\n[[expect]]\nmetric = "gains.torque.kp"\nrelative_tolerance = 0\n'
    path = write_bench(tmp_path / "b.toml", EXPECTED + held)
    place = baseline_of(path)
    assert check_scenario(path, baseline=place).status == "passed"
    other = GainsFile("g.toml", (("loop.torque.ki", '"81 1/s"', 1),))
    assert "gains.torque.kp" not in broken(check_scenario(path, gains=other, baseline=place))
    for reference in (place, None):
        changed = check_scenario(path, gains=kp(0.401), baseline=reference)
        assert broken(changed) == {"gains.torque.kp": ("tolerance",)} and changed.status == "failed"
