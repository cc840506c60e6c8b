"""Whether a bench is still the one of an earlier date."""

import json
from pathlib import Path

import numpy as np
import pytest

from shaftloop.errors import ScenarioError
from shaftloop.studies.identification.changes import Earlier, changes, earlier_fit
from shaftloop.studies.identification.free import Free
from shaftloop.studies.identification.problem import Estimate

PATHS = ("line.c1.stiffness", "line.load.inertia", "line.ts.filter.cutoff")


def found(thetas: np.ndarray, spread: float = 0.01) -> list[Estimate]:
    return [
        Estimate(Free(path, 100.0, "N m/rad", "scaled", 100.0), float(theta), spread)
        for path, theta in zip(PATHS, thetas, strict=True)
    ]


def before(thetas: np.ndarray, deviation: float = 1.0) -> Earlier:
    return Earlier(
        "march.csv", {p: (100.0 * np.exp(t), deviation) for p, t in zip(PATHS, thetas, strict=True)}
    )


def test_a_bench_that_has_not_changed_is_rarely_called_changed() -> None:
    """Normal draws of known spread: the bound is that of a t distribution, so at most 5 % of dates."""
    rng = np.random.default_rng(0)
    alarms = [
        any(c.changed for c in changes(before(0.01 * rng.normal(size=3)), found(0.01 * rng.normal(size=3))))
        for _ in range(2000)
    ]
    assert 0.015 < np.mean(alarms) < 0.05


def test_what_has_changed_beyond_its_uncertainty_is_named() -> None:
    stiffness, inertia, cutoff = changes(before(np.zeros(3)), found(np.array([-0.08, 0.01, 0.0])))
    assert stiffness.changed and stiffness.difference == pytest.approx(100.0 * np.expm1(-0.08))
    assert not inertia.changed and not cutoff.changed
    # Two-sided 95 % of all three together under 18 degrees of freedom: 2.639 (a table of t, from memory).
    assert cutoff.seen == pytest.approx(2.639 * np.sqrt(2.0), rel=1e-3)
    alone = changes(Earlier("m", {PATHS[0]: (100.0, 1.0)}), found(np.zeros(3)))
    assert len(alone) == 1 and alone[0].seen == pytest.approx(2.101 * np.sqrt(2.0), rel=1e-3)


def test_only_what_both_dates_tell_is_compared() -> None:
    blind = [Estimate(entry.free, 0.0, np.inf) for entry in found(np.zeros(3))]
    with pytest.raises(ScenarioError, match=r"`since` march\.csv: it tells no value that is free here"):
        changes(before(np.zeros(3)), blind)


def test_a_result_of_an_earlier_date_is_read(tmp_path: Path) -> None:
    def entry(path: str, value: float | None) -> dict[str, object]:
        figure = {"value": value, "unit": "1"}
        return {"path": path} | dict.fromkeys(("value", "standard_deviation", "low", "high"), figure)

    parameters = [entry("line.c1.stiffness", 2.0), entry("log.clock", 1.0), entry("line.load.inertia", None)]
    path = tmp_path / "fit.json"
    path.write_text(json.dumps({"parameters": parameters, "not_told_alone": [], "contradicted": True}))
    earlier = earlier_fit(path)
    assert earlier.values == {"line.c1.stiffness": (2.0, 2.0)} and earlier.contradicted
    path.write_text("[1]")
    with pytest.raises(ScenarioError, match=r"give the fit\.json that it wrote, or a log"):
        earlier_fit(path)
    with pytest.raises(ScenarioError, match="cannot be read: No such file"):
        earlier_fit(tmp_path / "none.json")
