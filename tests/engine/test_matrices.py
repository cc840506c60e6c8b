"""Matrices of a gap against direct solutions: linear systems, forcing by polynomials, noise covariance."""

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad_vec, solve_ivp
from scipy.linalg import expm, matrix_balance
from scipy.signal import cont2discrete

from rigs import SHIPPED, shipped
from shaftloop.bench.assemble import build_bench
from shaftloop.engine import matrices
from shaftloop.engine.matrices import (
    exponential_packs,
    noise_root,
    pack_shapes,
    padded_columns,
    phi_functions,
)
from shaftloop.engine.plant import Plant
from shaftloop_models.lowpass import LowPass, state_space
from shaftloop_models.network import Network

Array = NDArray[np.float64]


def random_plant(n: int, m: int, q: int, r: int, seed: int = 3) -> Plant:
    rng = np.random.default_rng(seed)
    shapes = ((n, n), (n, m), (n, q), (r, n))
    a, b, g, c = (rng.normal(size=shape) * 300.0 for shape in shapes)
    return Plant(Network(), a, b, g, c, {})


def unpack(flat: Array, shapes: list[tuple[int, int]]) -> list[Array]:
    blocks, place = [], 0
    for rows, columns in shapes:
        padded = rows + -rows % 4
        blocks.append(flat[place : place + padded * columns].reshape(columns, padded).T)
        place += padded * columns
    assert place == flat.size
    return blocks


@pytest.mark.parametrize(("n", "r"), [(5, 3), (8, 4), (7, 0)])
def test_pack_solves_a_linear_system_exactly(n: int, r: int) -> None:
    m, q, h = 2, 3, 2e-3
    plant = random_plant(n, m, q, r)
    rows = n + -n % 4
    first, *_, signals = unpack(exponential_packs([(plant, h)])[0], pack_shapes(plant, True))
    assert np.array_equal(signals[:r], plant.c) and not signals[r:].any()
    rng = np.random.default_rng(5)
    start, held, outputs = rng.normal(size=n), rng.normal(size=m), rng.normal(size=q)
    solution = solve_ivp(
        lambda _, x: plant.a @ x + plant.b @ held + plant.g @ outputs,
        (0.0, h),
        start,
        method="DOP853",
        rtol=1e-13,
        atol=1e-13,
        t_eval=[0.5 * h, h],
    )
    middle, end = solution.y.T
    result = first @ np.concatenate([start, held, outputs])
    scale = np.abs(end).max()
    assert np.allclose(result[:n], end, atol=1e-11 * scale, rtol=0)
    states = result[rows : rows + n]
    assert np.allclose(states, middle, atol=1e-11 * scale, rtol=0)


def test_phi_integrates_polynomial_forcing() -> None:
    """x' = A x + F (1, t/h, t²/2h²) by quadrature: the definition of φ1, φ2, φ3."""
    plant, h = random_plant(4, 1, 2, 0), 3e-3
    _, (exponential, *parts) = phi_functions(plant.a, h)
    assert np.allclose(exponential, expm(h * plant.a), rtol=1e-13)
    for power, part in enumerate(h * phi @ plant.g for phi in parts):
        share = [1.0, 1.0, 0.5][power]
        integral, _ = quad_vec(
            lambda t, k=power, c=share: expm((h - t) * plant.a) @ plant.g * (c * (t / h) ** k), 0.0, h
        )
        assert np.allclose(part, integral, atol=1e-12 * np.abs(integral).max(), rtol=0)


def test_stages_have_the_weights_of_krogstad() -> None:
    n, q, h = 4, 2, 1e-3
    plant = random_plant(n, 1, q, 0)
    _, stage2, stage3, both, end, *_ = unpack(exponential_packs([(plant, h)])[0], pack_shapes(plant, True))
    inverse = np.linalg.inv(h * plant.a)
    one = np.eye(n)

    def phi(k: int, scale: float) -> Array:
        z = scale * h * plant.a
        value = expm(z)
        for divisor in (1.0, 1.0, 2.0)[:k]:
            value = (value - one / divisor) @ inverse / scale
        return value

    g = h * plant.g
    assert np.allclose(stage2, phi(2, 0.5) @ g, rtol=1e-7, atol=1e-10)
    assert np.allclose(stage3, 2.0 * phi(2, 1.0) @ g, rtol=1e-7, atol=1e-10)
    assert np.allclose(both, (2.0 * phi(2, 1.0) - 4.0 * phi(3, 1.0)) @ g, rtol=1e-6, atol=1e-8)
    assert np.allclose(end, (4.0 * phi(3, 1.0) - phi(2, 1.0)) @ g, rtol=1e-6, atol=1e-8)


def held(a: Array, b: Array, h: float) -> tuple[Array, Array]:
    """Return what a step under a held input does to the state, and what the input adds."""
    _, (move, first, *_) = phi_functions(a, h)
    return move, h * first @ b


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("h", [1e-6, 1e-4, 1e-3])
def test_phi_functions_agree_with_one_augmented_exponential(name: str, h: float) -> None:
    """Of the balanced bench, so that every entry counts; up to 1,000 times its largest eigenvalue."""
    a = matrix_balance(build_bench(shipped(name)).model.plant.a, permute=False)[0]
    n = len(a)
    for found, step in zip(phi_functions(a, h), (0.5 * h, h), strict=True):
        big = np.kron(np.eye(4, k=1), np.eye(n))
        big[:n, :n] = step * a
        known = expm(big)[:n].reshape(n, 4, n).transpose(1, 0, 2)
        for one, other in zip(found, known, strict=True):
            assert np.abs(one - other).max() <= 1e-12 * np.abs(other).max()


def test_packs_do_not_depend_on_what_is_made_beside_them() -> None:
    """Norms, and so numbers of doublings, differ by a factor of 1,000; one plant has another size."""
    plants = [random_plant(5, 2, 3, 3, seed) for seed in range(4)] + [random_plant(6, 2, 3, 3)]
    pairs = [(plant, h) for plant in plants for h in (1e-6, 1e-4, 1e-3)]
    alone = []
    for pair in pairs:
        matrices._PACKS.clear()
        alone.append(exponential_packs([pair])[0])
    for chosen in (range(15), range(14, -1, -1), [3, 3, 7], range(2, 15, 3)):
        matrices._PACKS.clear()
        together = exponential_packs([pairs[i] for i in chosen])
        assert all(np.array_equal(alone[i], pack) for i, pack in zip(chosen, together, strict=True))
    assert len({pack.tobytes() for pack in alone}) == 15


class Interrupted(dict[object, Array]):
    """Lets other threads go on while it is looked through."""

    def __iter__(self) -> Iterator[object]:
        found = super().__iter__()
        time.sleep(1e-4)
        return found


def test_threads_that_drop_old_packs_do_not_disturb_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs with faults make packs in several threads: of the few that are kept, another may drop one."""
    plant = random_plant(3, 2, 1, 2)
    size = exponential_packs([(plant, 1e-3)])[0].size
    monkeypatch.setattr(matrices, "_PACKS", Interrupted())
    monkeypatch.setattr(matrices, "_MOST_KEPT", 4 * size)
    monkeypatch.setattr(matrices, "_exponential_packs", lambda pairs: [np.full(size, h) for _, h in pairs])

    def ask(first: int) -> None:
        for i in range(100):
            steps = [1.0 + (first + i * k) % 7 for k in range(1, 6)]
            packs = exponential_packs([(plant, step) for step in steps])
            assert [pack[0] for pack in packs] == steps

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(ask, range(4)))


def test_phi_functions_of_nothing_and_of_no_motion() -> None:
    _, (move, *phi) = phi_functions(np.zeros((2, 2)), 1.0)
    assert np.array_equal(move, np.eye(2))
    for part, share in zip(phi, (1.0, 0.5, 1.0 / 6.0), strict=True):
        assert np.array_equal(part, share * np.eye(2))


def test_zero_order_hold_of_two_plants() -> None:
    """Check E6.7."""
    a, b = np.array([[0.0, 1.0], [0.0, -1.0]]), np.array([[0.0], [1.0]])
    move, drive = held(a, b, 1.0)
    numerator = [
        np.array([1.0, 0.0]) @ drive[:, 0],
        move[0, 1] * drive[1, 0] - move[1, 1] * drive[0, 0],
    ]
    assert numerator == pytest.approx([0.36788, 0.26424], abs=1e-5)
    assert np.poly(move) == pytest.approx([1.0, -1.36788, 0.36788], abs=1e-5)
    move, drive = held(np.array([[-100.0]]), np.array([[100.0]]), 1e-3)
    assert (drive[0, 0], move[0, 0]) == (
        pytest.approx(0.0951626, abs=1e-7),
        pytest.approx(0.904837, abs=1e-6),
    )
    plant = random_plant(6, 2, 1, 0)
    known = cont2discrete((plant.a, plant.b, np.eye(6), np.zeros((6, 2))), 1e-3)
    move, drive = held(plant.a, plant.b, 1e-3)
    assert np.allclose(move, known[0], rtol=1e-11) and np.allclose(drive, known[1], rtol=1e-11)


def test_columns_are_padded_to_four_rows() -> None:
    (flat,) = padded_columns(np.arange(6.0).reshape(1, 3, 2))
    assert flat.tolist() == [0, 2, 4, 0, 1, 3, 5, 0]


FILTERS = [
    LowPass("first_order", 800.0),
    LowPass("bessel", 1200.0, 2),
    LowPass("butterworth", 1000.0, 5),
    LowPass("bessel", 900.0, 8),
]


def covariance(filter_: LowPass, density: float, gap: float) -> Array:
    f, g, _ = state_space(filter_)
    integral, _ = quad_vec(
        lambda t: np.outer(expm(f * t) @ g, expm(f * t) @ g), 0.0, gap, epsrel=1e-11, epsabs=0.0
    )
    return 0.5 * density**2 * integral


@pytest.mark.parametrize("filter_", FILTERS, ids=lambda f: f"{f.kind}{f.order}")
@pytest.mark.parametrize("gap", [1e-6, 1e-4, 5e-3])
def test_noise_root_squares_to_the_integrated_covariance(filter_: LowPass, gap: float) -> None:
    f, g, _ = state_space(filter_)
    root = noise_root(f, g, 0.02, gap)
    known = covariance(filter_, 0.02, gap)
    assert np.array_equal(root, np.tril(root)) and np.all(np.diag(root) >= 0.0)
    assert np.allclose(root @ root.T, known, atol=1e-9 * np.abs(known).max(), rtol=0)


@pytest.mark.parametrize("filter_", FILTERS, ids=lambda f: f"{f.kind}{f.order}")
def test_covariance_does_not_depend_on_how_a_gap_is_split(filter_: LowPass) -> None:
    f, g, _ = state_space(filter_)
    whole, first, rest = (noise_root(f, g, 0.1, gap) for gap in (1e-4, 0.3e-4, 0.7e-4))
    move = expm(f * 0.7e-4)
    joined = move @ first @ first.T @ move.T + rest @ rest.T
    known = whole @ whole.T
    assert np.allclose(joined, known, atol=1e-12 * np.abs(known).max(), rtol=0)


def test_long_gap_reaches_the_stationary_noise() -> None:
    """Variance of the output: density² times the noise bandwidth, ω/4 for the first order."""
    f, g, out = state_space(FILTERS[0])
    root = noise_root(f, g, 0.05, 0.1)
    assert (root @ root.T)[out, out] == pytest.approx(0.05**2 * 2.0 * np.pi * 800.0 / 4.0, rel=1e-10)


@pytest.mark.parametrize("rate", [1e3, 6e5, 7e5, 1e8, 1e15])
def test_noise_of_a_filter_far_faster_than_the_gap_is_found_at_once(rate: float) -> None:
    """One pole: Q = S²/2·w·(1 − exp(−2wT))/2; adding up stretch by stretch would take 1e11 of them."""
    root = noise_root(np.array([[-rate]]), np.array([rate]), 2.0, 1e-4)
    assert root[0, 0] ** 2 == pytest.approx(-rate * np.expm1(-2.0 * rate * 1e-4), rel=1e-12)
