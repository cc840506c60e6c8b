"""Responses from one form of a matrix: as good as one solution each, whatever units, delays, double poles."""

import numpy as np
import pytest

from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.resolvent import Resolvent, powers
from shaftloop.analysis.response import transfer


def system(*, alike: bool = False) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a stable system with a delay line and very different units, perhaps a pole three times over."""
    random = np.random.default_rng(5)
    a = np.zeros((18, 18))
    a[:12, :12] = random.normal(size=(12, 12))
    a[:12, :12] *= 0.98 / np.max(np.abs(np.linalg.eigvals(a[:12, :12])))
    a[12:, 12:] = np.eye(6, k=-1)
    a[12, :12], a[:12, -1] = random.normal(size=12), random.normal(size=12)
    if alike:
        a[:3, :3], a[:3, 3:], a[3:, :3] = 0.9 * np.eye(3) + np.eye(3, k=1), 0.0, 0.0
    units = 10.0 ** random.uniform(-6.0, 6.0, size=18)
    b, c = random.normal(size=(18, 2)) * units[:, None], random.normal(size=(2, 18)) / units
    return a * units[:, None] / units, b, c


POINTS = np.exp(1j * np.linspace(0.0, np.pi, 40))


def solved_one_by_one(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
    return np.array([c @ np.linalg.solve(z * np.eye(len(a)) - a, b) for z in POINTS])


@pytest.mark.parametrize("alike", [False, True])
def test_responses_are_those_of_one_solution_each(alike: bool) -> None:
    a, b, c = system(alike=alike)
    expected = solved_one_by_one(a, b, c)
    found = Resolvent(a, b, c).lifted(POINTS)
    assert np.max(np.abs(found - expected)) < 1e-10 * np.max(np.abs(expected))


def test_a_wave_comes_out_as_the_response_says() -> None:
    a, b, c = system()
    wave = np.exp(1j * np.outer(np.arange(40), [0.1, 0.7]))
    expected = np.einsum("mq,mqp,mp->m", wave.conj(), solved_one_by_one(a, b, c), wave)
    form = Resolvent(a, b, c)
    later = powers(1.0 / POINTS, len(form.after))
    gone = np.einsum("mq,mk,kqp,mp->m", wave.conj(), later, form.after, wave)
    assert form.along(POINTS, wave) + gone == pytest.approx(expected, rel=1e-9)


def test_what_is_soon_gone_counts_tick_by_tick() -> None:
    a, b, c = system()
    d = np.array([[0.3, 0.0], [-0.7, 0.2]])
    loop = OpenLoop(a, b, c, d, 2e-3, np.array([0.2e-3, 1.2e-3]))
    frequency = np.linspace(1.0, 499.0, 40)
    z, wave = (np.exp(2j * np.pi * np.multiply.outer(frequency, t)) for t in (2e-3, loop.instants))
    each = np.array([c @ np.linalg.solve(at * np.eye(len(a)) - a, b) + d for at in z])
    expected = np.einsum("mq,mqp,mp->m", wave.conj(), each, wave) / 2.0
    assert transfer(loop, frequency) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("alike", [False, True])
def test_blocks_do_not_show(alike: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    a, b, c = system(alike=alike)
    wave = np.ones((40, 2), dtype=np.complex128)
    whole = Resolvent(a, b, c)
    lifted, along = whole.lifted(POINTS), whole.along(POINTS, wave)
    monkeypatch.setattr("shaftloop.analysis.resolvent._BLOCK", 7 * 36)
    assert whole.lifted(POINTS) == pytest.approx(lifted, rel=1e-9)
    assert whole.along(POINTS, wave) == pytest.approx(along, rel=1e-9)


@pytest.mark.parametrize("poles", [[0.01, 0.02], [0.0, 0.0, 0.0], [0.9, 0.8], [0.5]])
def test_all_may_be_gone_within_a_hyperperiod_or_nothing(poles: list[float]) -> None:
    a, b = np.diag(poles) + np.eye(len(poles), k=1), np.ones((len(poles), 1))
    assert Resolvent(a, b, b.T).lifted(POINTS) == pytest.approx(solved_one_by_one(a, b, b.T), rel=1e-12)


def test_an_eigenvalue_has_no_solution() -> None:
    one = Resolvent(np.diag([0.5, 1.0]), np.ones((2, 1)), np.ones((1, 2)))
    with pytest.raises(np.linalg.LinAlgError, match="Singular matrix"):
        one.lifted(np.array([1.0 + 0.0j]))
