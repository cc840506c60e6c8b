"""Study files: what is understood, and every refusal with its place and a fix."""

from pathlib import Path

import pytest
from whatif import FIGURE, HEAD, PSI, STIFFNESS, design, read, written

from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import stated_value
from shaftloop.scenario.shipped import shipped_folder
from shaftloop.studies.whatif.factors import FactorSpread, Listed
from shaftloop.studies.whatif.reading import Bound, Goal, find_study, read_study, shipped_studies

GRID = design("grid")


def refusal(folder: Path, *blocks: str) -> str:
    with pytest.raises(ScenarioError) as caught:
        read(folder, *blocks)
    return str(caught.value)


def test_a_study_is_read_whole(tmp_path: Path) -> None:
    more = """\
[[constraint]]
metric = "margins.torque.ms"
at_most = 1.6
[[constraint]]
metric = "simulate.torque_rise_time"
at_most = "20 ms"
[[objective]]
metric = "margins.torque.gain_margin"
goal = "maximise"
"""
    study, plan = read(tmp_path, STIFFNESS, PSI, FIGURE, more, GRID)
    assert plan.total == 12 and study.name == "s"
    names = [
        "modes.1.frequency",
        "margins.torque.ms",
        "simulate.torque_rise_time",
        "margins.torque.gain_margin",
    ]
    # A bench that is run is looked after, whatever is asked for.
    assert list(study.figures) == [*names, "simulate.beyond_limit"] and list(study.asked) == names
    assert study.bounds == (
        Bound("margins.torque.ms", None, 1.6, "study"),
        Bound("simulate.torque_rise_time", None, 0.02, "study"),
    )
    assert study.goals == (Goal("margins.torque.gain_margin", True),)
    stiffness, damping = study.axes
    assert isinstance(stiffness, FactorSpread) and (stiffness.low, stiffness.unit) == (10.0, "kN m/rad")
    assert isinstance(damping, Listed) and damping.choices == (1.0, 2.0, 4.0)


def test_the_middle_of_a_distribution_is_the_value_of_the_scenario(tmp_path: Path) -> None:
    factors = """\
[[factor]]
path = "line.c1.stiffness"
distribution = "normal"
spread = "10 %"
[[factor]]
path = "loop.torque.kp"
distribution = "uniform"
spread = 0.01
"""
    study, _ = read(tmp_path, factors, FIGURE, design("monte_carlo", 8))
    stated = stated_value("reference-bench", "line.c1.stiffness")
    stiffness, gain = study.axes
    assert isinstance(stiffness, FactorSpread) and isinstance(gain, FactorSpread)
    assert f"{stiffness.nominal:g} {stiffness.unit}" == stated
    assert stiffness.width == pytest.approx(0.1 * stiffness.nominal)
    kp = stated_value("reference-bench", "loop.torque.kp")
    assert isinstance(kp, float) and (gain.low, gain.high) == pytest.approx((kp - 0.01, kp + 0.01))


def test_the_expectations_of_the_scenario_are_bounds_unless_it_is_told_otherwise(tmp_path: Path) -> None:
    text = (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8").partition("[[expect]]")[0]
    expect = '\n[[expect]]\nmetric = "modes.1.damping_ratio"\nat_least = 0.01\n'
    only = '\n[[expect]]\nmetric = "modes.2.frequency"\ntolerance = "2 Hz"\n'
    (tmp_path / "bench.toml").write_text(text + expect + only, encoding="utf-8")
    head = 'scenario = "bench.toml"\n'
    for line, count in (("", 1), ("expectations = false\n", 0)):
        path = tmp_path / "s.toml"
        path.write_text(head + line + STIFFNESS + FIGURE + GRID, encoding="utf-8")
        study = read_study(path)
        assert len(study.bounds) == count and study.asked == ("modes.1.frequency",)
    (tmp_path / "bench.toml").write_text(text + expect.replace("0.01", '"1 ms"'), encoding="utf-8")
    path.write_text(head + STIFFNESS + FIGURE + GRID, encoding="utf-8")
    with pytest.raises(
        ScenarioError, match=r"s.toml:1: scenario: modes.1.damping_ratio: the unit ms does not"
    ):
        read_study(path)
    (tmp_path / "bench.toml").write_text(text + expect.replace("damping_ratio", "damping"), encoding="utf-8")
    with pytest.raises(ScenarioError, match=r'expect: "modes.1.damping" is no figure of the bench'):
        read_study(path)


def test_the_settings_of_the_command_line_come_last(tmp_path: Path) -> None:
    study = read_study(written(tmp_path, STIFFNESS, FIGURE, GRID), ["duration=30 ms"])
    assert study.settings == ("duration=20 ms", "duration=30 ms")
    assert float(study.scenario.description.duration or 0) == 0.03


def test_parts_lie_beside_the_study_or_are_shipped(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    shipped = (shipped_folder() / "parts" / "coupling-elastomer-150nm.toml").read_text(encoding="utf-8")
    (tmp_path / "parts" / "mine.toml").write_text(shipped, encoding="utf-8")
    factor = '[[factor]]\npath = "line.c1"\nparts = ["parts/mine.toml", "parts/coupling-disc-6knm.toml"]\n'
    path = tmp_path / "s.toml"
    path.write_text('scenario = "wheel-hub"\n' + factor + FIGURE + GRID, encoding="utf-8")
    before = read_study(path).identity
    (tmp_path / "parts" / "mine.toml").write_text(shipped + "\n# changed\n", encoding="utf-8")
    after = read_study(path).identity
    assert [key for key in before if before[key] != after[key]] == ["parts of line.c1.from"]
    path.write_text(path.read_text().replace("mine", "yours"), encoding="utf-8")
    with pytest.raises(ScenarioError, match=r's.toml:4: .*line.c1.from: no file "parts/yours.toml" beside'):
        read_study(path)


def test_a_study_is_found_by_path_or_by_name() -> None:
    assert "hub-gains" in shipped_studies()
    assert find_study("hub-gains").parent.name == "studies"
    with pytest.raises(ScenarioError, match=r'"hub-gain": no such file and no shipped study.*nearest: hub'):
        find_study("hub-gain")


def factor(*lines: str) -> str:
    return "[[factor]]\n" + "\n".join(lines) + "\n"


KP = 'path = "loop.torque.kp"'


@pytest.mark.parametrize(
    ("blocks", "message"),
    [
        (
            [factor('path = "loop.torque.kpp"', "values = [1]"), FIGURE],
            "s.toml:4: factor.0: loop.torque.kpp: unknown key; nearest: kp",
        ),
        (
            [factor('path = "loop.torqe.kp"', "values = [1]"), FIGURE],
            's.toml:5: factor.0.path: "loop.torqe.kp": no loop "torqe"; known: speed, torque',
        ),
        (
            [factor('path = "loop.torque"', "values = [1]"), FIGURE],
            '"loop.torque" is a table or list; name a key',
        ),
        (
            [factor(KP, "values = []"), FIGURE],
            "s.toml:6: factor.0.values: the list is empty, so the design has no",
        ),
        ([factor(KP, "values = [1, 1]"), FIGURE], "a value stands there twice; leave one out"),
        (
            [factor(KP, "values = [[1]]"), FIGURE],
            "a list among the values; only numbers, texts, true and false",
        ),
        ([factor(KP, "values = 3"), FIGURE], "a number where a list of values is due"),
        ([factor(KP, "values = [inf]"), FIGURE], "inf is no finite number"),
        (
            [factor(KP), FIGURE],
            "factor.0: does not say how it varies; state values, low and high, parts, or a",
        ),
        ([factor(KP, "low = 1"), FIGURE], "factor.0.high: missing; write e.g. high ="),
        (
            [factor(KP, "values = [1]", "low = 1"), FIGURE],
            "factor.0.low: does not go with values; leave it out",
        ),
        (
            [factor(KP, "low = 1", "high = 2", "spread = 1"), FIGURE],
            "spread: goes with a distribution; leave it",
        ),
        (
            [factor(KP, "values = [1]", 'distribution = "normal"'), FIGURE],
            "factor.0.distribution: there is values already; a factor varies in one way",
        ),
        ([factor(KP, 'distribution = "normal"'), FIGURE], 'spread: missing; write e.g. spread = "5 %"'),
        ([factor(KP, 'distribution = "uniform"'), FIGURE], "uniform: state low and high, or a spread"),
        (
            [factor(KP, 'distribution = "uniform"', "low = 1", "high = 2", "spread = 1"), FIGURE],
            "low: does not go with a spread; leave it out",
        ),
        (
            [factor(KP, 'distribution = "uniform"', "low = 1", "high = 2", "nominal = 1"), FIGURE],
            "nominal: goes with a spread; leave it out",
        ),
        (
            [factor(KP, 'distribution = "normal"', "spread = 1", 'scale = "log"'), FIGURE],
            'scale: goes with a range; write distribution = "lognormal"',
        ),
        (
            [factor(KP, 'distribution = "gauss"'), FIGURE],
            '"gauss" is not one of: normal, uniform, triangular',
        ),
        (
            [factor(KP, "low = 1", "high = 2"), FIGURE],
            "factor.0.count: missing; a grid needs the number of values",
        ),
        (
            [factor(KP, 'low = "1 ms"', 'high = "1 N m"', "count = 3"), FIGURE],
            "factor.0: the unit N m does not fit",
        ),
        (
            [factor(KP, "low = -2", "high = -1", "count = 3"), FIGURE],
            "-1.5 is out of range; allowed: at least 0",
        ),
        (
            [factor(KP, "values = [1]"), factor(KP, "values = [2]"), FIGURE],
            "varies in factor 0 already; put both",
        ),
        (
            [factor('path = "loop.torque"', 'parts = ["a.toml"]'), FIGURE],
            "parts take the place of an element of",
        ),
        (
            [factor('path = "line.c1"', 'parts = ["a.toml"]'), FIGURE],
            "states its values in the scenario itself",
        ),
        (
            [factor(KP, "values = [1]", "step = 2"), FIGURE],
            "factor.0.step: unknown key; known here: path, values",
        ),
        ([FIGURE], "factor: missing; the design is empty; add [[factor]]"),
        ([STIFFNESS], "response: missing; no figure is asked for; add [[response]]"),
        (
            [STIFFNESS, '[[response]]\nmetric = "modes.1.frequencies"\n'],
            's.toml:10: response.0.metric: "modes.1.frequencies" is no response of this bench; nea',
        ),
        (
            [STIFFNESS, '[[constraint]]\nmetric = "modes.1.frequency"\n'],
            "constraint.0: no bound; state at_most or",
        ),
        (
            [STIFFNESS, '[[constraint]]\nmetric = "modes.1.frequency"\nat_most = "3 s"\n'],
            "constraint.0.at_most: modes.1.frequency: the unit s does not fit; expected Hz",
        ),
        (
            [STIFFNESS, '[[constraint]]\nmetric = "modes.0.x"\nat_most = 1\n'],
            '"modes.0.x" is no response of this',
        ),
    ],
)
def test_what_is_wrong_with_factors_and_figures_is_said(
    tmp_path: Path, blocks: list[str], message: str
) -> None:
    assert message in refusal(tmp_path, *blocks, GRID)


@pytest.mark.parametrize(
    ("block", "message"),
    [
        (design("grid", 4), "design.count: of a grid follows from the factors; leave it out"),
        (design("sobol"), "design.count: missing; the design would be empty; write e.g. count = 256"),
        (design("sobol", 0), "design.count: 0 is out of range; allowed: at least 1"),
        (
            design("saltelli", 100),
            "design.count: 100 is no power of 2, which the indices need; write 64 or 128",
        ),
        (design("random", 4), '"random" is not one of: grid, one_at_a_time, latin_hypercube'),
    ],
)
def test_what_is_wrong_with_a_design_is_said(tmp_path: Path, block: str, message: str) -> None:
    assert message in refusal(tmp_path, STIFFNESS, FIGURE, block)


def test_a_distribution_without_a_nominal_value_asks_for_one(tmp_path: Path) -> None:
    found = factor('path = "loop.torque.setpoint_rate"', 'distribution = "normal"', 'spread = "5 %"')
    assert "the scenario does not state this value, so there is no nominal one; state nominal" in refusal(
        tmp_path, found, FIGURE, design("monte_carlo", 4)
    )


def test_every_fault_is_reported_at_once(tmp_path: Path) -> None:
    found = refusal(tmp_path, factor(KP, "values = []"), factor("values = [1]"), FIGURE, design("sobol"))
    assert len(found.splitlines()) == 3 and HEAD


def test_a_study_names_what_lies_below_it_or_is_shipped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (shipped_folder() / "reference-bench.toml").read_text(encoding="utf-8")
    folder = tmp_path / "studies"
    (folder / "below").mkdir(parents=True)
    for place in (tmp_path / "outside.toml", folder / "below" / "inside.toml"):
        place.write_text(text, encoding="utf-8")
    (folder / "link.toml").symlink_to(tmp_path / "outside.toml")
    # What lies in the working folder is nothing to a study elsewhere.
    monkeypatch.chdir(tmp_path)
    for name, message in (
        (
            str(tmp_path / "outside.toml"),
            "must be a relative path with forward slashes, below the study's folder",
        ),
        ("../outside.toml", "must stay inside the study's folder; leave out the .."),
        ("link.toml", "is a link that leads out of the study's folder"),
        (
            "outside.toml",
            "beside the study and no shipped scenario; shipped: axle-split, belt-creep",
        ),
        ("reference-benhc", "nearest: reference-bench"),
    ):
        with pytest.raises(ScenarioError) as caught:
            read_study(written(folder, STIFFNESS, FIGURE, GRID, scenario=name))
        (found,) = caught.value.messages
        assert found.startswith("studies/s.toml:1: scenario: ") and message in found
    for name in ("below/inside.toml", "reference-bench"):
        assert read_study(written(folder, STIFFNESS, FIGURE, GRID, scenario=name)).scenario.description.loop
