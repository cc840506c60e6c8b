"""Matrices of one gap length: the exponential stepper's, and the square root of the noise covariance.

With h the substep and ``φ_k`` the usual functions of the exponential integrators, the pack for the
exponential stepper holds, by columns, rows padded to four:

1. for [x, u, N0]: states at h, then at h/2, under constant N0;
2. for N(middle 1) − N0: ``h·φ2(h/2)·G``;
3. for N(middle 2) − N0: ``2·h·φ2(h)·G``;
4. for the sum of both differences: ``h·(2φ2 − 4φ3)·G``;
5. for N(end) − N0: ``h·(4φ3 − φ2)·G``;
6. nothing in place of [A B G], which the reference stepper has instead of all these;
7. for x: the signals.
"""

import math
from collections.abc import Sequence
from functools import lru_cache
from threading import Lock

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm, matrix_balance

from shaftloop.engine.plant import Plant

__all__ = ["exponential_packs", "noise_root", "pack_shapes", "padded_columns", "phi_functions", "plain_pack"]

Array = NDArray[np.float64]
_Phi = tuple[Array, Array, Array, Array]
"""exp, φ1, φ2, φ3"""

_SMALL = 0.5
_TERMS = 16
"""Norm up to which the series is used, and its terms: what it leaves out is below 1e-21."""

_Key = tuple[bytes, float]
_PACKS: dict[_Key, Array] = {}
"""Packs made last: many benches of a study have the same matrices, which cost more than their runs."""
_MOST_KEPT = 2_000_000
"""Their entries. A study runs benches ahead of their figures, for which small motions need the same packs."""
_LOCK = Lock()
"""Runs with faults make packs in several threads."""
_MOST_STEPS = 64
"""Stretches of a gap over which the noise of a filter is added up one by one."""


def phi_functions(a: Array, h: float) -> tuple[_Phi, _Phi]:
    """Return exp, φ1, φ2 and φ3 of A·h/2 and of A·h.

    Taylor's series of φ3 at a power-of-two part of the step, from which the others follow, then doubling:
    ``2^k·φk(2z) = exp(z)·φk(z) + φ1(z)/(k − 1)! + ... + φk(z)``. The matrix is balanced first, for its
    units make its norm thousands of times its largest eigenvalue.

    Parameters
    ----------
    a : ndarray, shape (n, n)
        [1/s]
    h : float
        [s]

    References
    ----------
    .. [1] B. Skaflestad, W. M. Wright, "The scaling and modified squaring method for matrix functions related
       to the exponential", Applied Numerical Mathematics 59 (2009) 783-799. From memory; tested.
    """
    half, full = _phi_of_many([(a, h)])
    return tuple(part[0] for part in half), tuple(part[0] for part in full)


def _phi_of_many(pairs: Sequence[tuple[Array, float]]) -> tuple[_Phi, _Phi]:
    """Return the same for several matrices of one size, shape (pairs, n, n) each; each as if alone."""
    balanced = {id(a): matrix_balance(a, permute=False, separate=True) for a, _ in pairs}
    z = np.stack([balanced[id(a)][0] * (0.5 * h) for a, h in pairs])
    back = np.stack([scale[:, np.newaxis] / scale for scale in (balanced[id(a)][1][0] for a, _ in pairs)])
    norms = np.max(np.sum(np.abs(z), axis=1), axis=1, initial=0.0).tolist()
    doublings = np.array([max(0, math.ceil(math.log2(norm / _SMALL))) if norm > 0.0 else 0 for norm in norms])
    z *= (0.5**doublings)[:, np.newaxis, np.newaxis]
    one, square = np.eye(z.shape[1]), z @ z
    powers = (one, z, square, square @ z)
    third, fourth = np.zeros_like(z), square @ square
    for first in range(_TERMS - 4, -1, -4):
        rest = sum(power / math.factorial(first + k + 3) for k, power in enumerate(powers))
        third = third @ fourth + rest
    second = z @ third + 0.5 * one
    first_phi = z @ second + one
    half = (z @ first_phi + one, first_phi, second, third)
    for done in range(max(doublings, default=0)):
        left = doublings > done
        for part, twice in zip(half, _doubled(tuple(part[left] for part in half)), strict=True):
            part[left] = twice
    full = _doubled(half)
    return tuple(part * back for part in half), tuple(part * back for part in full)  # type: ignore[return-value]


def _doubled(phi: tuple[Array, ...]) -> _Phi:
    """Return the functions at twice the step."""
    move, first, second, third = phi
    return (
        move @ move,
        0.5 * (move @ first + first),
        0.25 * (move @ second + first + second),
        0.125 * (move @ third + 0.5 * first + second + third),
    )


def exponential_packs(pairs: Sequence[tuple[Plant, float]]) -> list[Array]:
    """Return the matrices of substeps as flat arrays, which are kept: do not change them.

    Those of many plants and substeps are made together, in less time; each is the same as if made alone.

    Parameters
    ----------
    pairs : sequence of (Plant, float)
        Plant and substep. [s]
    """
    keys = [(plant.identity, h) for plant, h in pairs]
    with _LOCK:
        found = {key: _PACKS[key] for key in keys if key in _PACKS}
    groups: dict[tuple[object, ...], dict[_Key, tuple[Plant, float]]] = {}
    for key, (plant, h) in zip(keys, pairs, strict=True):
        if key not in found:
            shapes = plant.a.shape, plant.b.shape, plant.g.shape, plant.c.shape
            groups.setdefault(shapes, {})[key] = plant, h
    for group in groups.values():
        found |= zip(group, _exponential_packs(list(group.values())), strict=True)
    with _LOCK:
        for key in keys:
            while len(_PACKS) * found[key].size > _MOST_KEPT and key not in _PACKS:
                del _PACKS[next(iter(_PACKS))]
            _PACKS[key] = found[key]
    return [found[key] for key in keys]


def _exponential_packs(pairs: Sequence[tuple[Plant, float]]) -> list[Array]:
    """Return the packs of plants of the same shapes."""
    (half, half1, half2, _), (full, full1, full2, full3) = _phi_of_many([(plant.a, h) for plant, h in pairs])
    h = np.array([step for _, step in pairs])[:, np.newaxis, np.newaxis]
    g = np.stack([plant.g for plant, _ in pairs])
    forcing = np.concatenate([np.stack([plant.b for plant, _ in pairs]), g], axis=2)
    second, third = h * full2 @ g, h * full3 @ g
    blocks = (
        (
            np.concatenate([full, h * full1 @ forcing], axis=2),
            np.concatenate([half, 0.5 * h * half1 @ forcing], axis=2),
        ),
        (h * half2 @ g,),
        (2.0 * second,),
        (2.0 * second - 4.0 * third,),
        (4.0 * third - second,),
        (np.stack([plant.c for plant, _ in pairs]),),
    )
    packs = np.concatenate([padded_columns(*parts) for parts in blocks], axis=1)
    return [pack.copy() for pack in packs]


def padded_columns(*parts: Array) -> Array:
    """Return stacks of matrices below each other, by columns, each padded to a multiple of four rows."""
    rows = sum(part.shape[1] + -part.shape[1] % 4 for part in parts)
    result, row = np.zeros((len(parts[0]), parts[0].shape[2], rows)), 0
    for part in parts:
        result[:, :, row : row + part.shape[1]] = part.transpose(0, 2, 1)
        row += part.shape[1] + -part.shape[1] % 4
    return result.reshape(len(result), -1)


def plain_pack(plant: Plant) -> Array:
    """Return the matrices of the reference stepper as one flat array."""
    slope = np.hstack([plant.a, plant.b, plant.g])
    return np.concatenate([padded_columns(part[np.newaxis])[0] for part in (slope, plant.c)])


def pack_shapes(plant: Plant, exponential: bool) -> list[tuple[int, int]]:
    """Return rows and columns of the products in a pack."""
    n, m, q, r = len(plant.a), plant.b.shape[1], plant.g.shape[1], plant.padded_signals
    rows, inputs = n + -n % 4, n + m + q
    if not exponential:
        return [(0, 0)] * 5 + [(rows, inputs), (r, n)]
    return [(2 * rows, inputs), *[(rows, q)] * 4, (0, 0), (r, n)]


def noise_root(f: Array, g: Array, density: float, gap: float) -> Array:
    """Return the lower-triangular square root of the covariance that white noise adds to a filter.

    ``Q = (S²/2)·∫ exp(Ft)·g·gᵀ·exp(Fᵀt) dt`` over the gap, by Van Loan's exponential; S is the one-sided
    density.

    Parameters
    ----------
    f : ndarray, shape (k, k)
        Filter. [1/s]
    g : ndarray, shape (k,)
        Input of the filter. [1/s]
    density : float
        [N m/rtHz]
    gap : float
        [s]

    References
    ----------
    .. [1] C. F. Van Loan, "Computing integrals involving the matrix exponential", IEEE Trans. Automatic
       Control 23 (1978) 395-404. From memory.
    """
    return _noise_root(f.tobytes(), g.tobytes(), density, gap)


@lru_cache(maxsize=64)
def _noise_root(f_bytes: bytes, g_bytes: bytes, density: float, gap: float) -> Array:
    g = np.frombuffer(g_bytes)
    f, k = np.frombuffer(f_bytes).reshape(len(g), -1), len(g)
    scale = np.max(np.abs(f))
    steps = max(1, int(np.ceil(scale * gap)))
    # A filter far faster than the gap forgets: what a stretch adds is joined to itself by doubling it.
    doublings = max(0, (steps // _MOST_STEPS).bit_length())
    steps = steps if doublings == 0 else _MOST_STEPS
    gap = gap / 2**doublings
    block = np.zeros((2 * k, 2 * k))
    block[:k, :k] = -f
    block[:k, k:] = np.outer(g, g) * (0.5 * density**2)
    block[k:, k:] = f.T
    result = expm(block * (gap / steps))
    move = result[k:, k:].T
    part = move @ result[:k, k:]
    total = np.zeros((k, k))
    for _ in range(steps):
        total = move @ total @ move.T + part
    move = np.linalg.matrix_power(move, steps)
    for _ in range(doublings):
        total = move @ total @ move.T + total
        move = move @ move
    values, vectors = np.linalg.eigh(0.5 * (total + total.T))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    lower: Array = np.asarray(np.linalg.qr(root.T, mode="r")).T
    lower *= np.where(np.diag(lower) < 0.0, -1.0, 1.0)
    lower.flags.writeable = False
    return lower
