"""Many systems with one matrix: as good as one solution each, whatever the units of the states."""

import numpy as np
import pytest

from shaftloop.analysis.resolvent import Resolvent


def systems(points: int, columns: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a stable matrix with states of very different units, points and right-hand sides."""
    random = np.random.default_rng(5)
    a = random.normal(size=(12, 12))
    a *= 0.98 / np.max(np.abs(np.linalg.eigvals(a)))
    units = 10.0 ** random.uniform(-6.0, 6.0, size=12)
    z = np.exp(1j * np.linspace(0.0, np.pi, points))
    forced = random.normal(size=(points, 12, columns)) + 1j * random.normal(size=(points, 12, columns))
    return a * units[:, None] / units, z, forced * units[:, None]


@pytest.mark.parametrize("columns", [1, 3])
def test_solutions_leave_nothing(columns: int) -> None:
    a, z, forced = systems(40, columns)
    found = Resolvent(a).states(z, forced)
    left = forced - (z[:, None, None] * found - a @ found)
    terms = np.abs(forced) + np.abs(found) + np.abs(a) @ np.abs(found)
    assert np.max(np.abs(left) / terms) < 2e-15
    pencil = z[:, None, None] * np.eye(len(a)) - a
    assert found == pytest.approx(np.linalg.solve(pencil, forced), rel=1e-10)


def test_blocks_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    a, z, forced = systems(40, 2)
    whole = Resolvent(a).states(z, forced)
    monkeypatch.setattr("shaftloop.analysis.resolvent._BLOCK", 7 * 24)
    assert Resolvent(a).states(z, forced) == pytest.approx(whole, rel=1e-12)


def test_an_eigenvalue_has_no_solution() -> None:
    with pytest.raises(np.linalg.LinAlgError, match="Singular matrix"):
        Resolvent(np.diag([0.5, 1.0])).states(np.array([1.0 + 0.0j]), np.ones((1, 2, 1), dtype=np.complex128))
