"""Boundaries of loops that tick twice, against the eigenvalues of the closed loop at many gains."""

import numpy as np
import pytest

from shaftloop.analysis.loci import boundary_factors
from shaftloop.analysis.openloop import OpenLoop, spectral_radius
from shaftloop.analysis.response import grid, root


def loop(seed: int) -> OpenLoop:
    """Return a stable loop with two resonances, unequal at its two ticks."""
    random = np.random.default_rng(seed)
    a = np.zeros((6, 6))
    for first, angle, size in ((0, random.uniform(0.2, 1.5), 0.99), (2, random.uniform(1.6, 3.0), 0.9)):
        cosine, sine = size * np.cos(angle), size * np.sin(angle)
        a[first : first + 2, first : first + 2] = [[cosine, -sine], [sine, cosine]]
    a[4:, 4:] = np.diag(random.uniform(-0.8, 0.95, 2))
    b, c = random.normal(size=(6, 2)), random.normal(size=(2, 6))
    d = np.array([[0.0, 0.0], [random.normal(), 0.0]])
    return OpenLoop(a, 0.05 * b, 0.05 * c, 0.05 * d, 1e-3, np.array([0.0, 0.4e-3]))


@pytest.mark.parametrize("seed", range(12))
def test_every_change_of_stability_lies_at_a_crossing_of_a_locus(seed: int) -> None:
    opened = loop(seed)
    factors = np.array(boundary_factors(opened, grid(opened)))

    def excess(gain: float) -> float:
        return spectral_radius(opened.closed(gain)) - 1.0

    gains = np.geomspace(1e-2, 1e4, 3000)
    sizes = np.array([excess(gain) for gain in gains])
    changes = np.flatnonzero(sizes[:-1] * sizes[1:] < 0.0)
    assert len(changes) > 0
    for i in changes:
        assert np.min(np.abs(factors / root(excess, gains[i], gains[i + 1]) - 1.0)) < 1e-9
    for factor in factors:
        assert np.min(np.abs(np.abs(np.linalg.eigvals(opened.closed(factor))) - 1.0)) < 1e-9
