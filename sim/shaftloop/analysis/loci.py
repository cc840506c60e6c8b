"""Where a loop that ticks twice in a hyperperiod may gain or lose stability: its characteristic loci.

Closed with k times its gain it has an eigenvalue z on the unit circle where k·λ = -1 for an eigenvalue λ of
its lifted L at z, a matrix of two by two. So the boundaries lie where one of the two loci of λ crosses the
negative real axis, as those of a loop that ticks once lie where L does.

References
----------
.. [1] A. G. J. MacFarlane, I. Postlethwaite, The generalized Nyquist stability criterion and multivariable
   root loci, International Journal of Control 25 (1977) 81-127. From memory; tested.
"""

from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from shaftloop.analysis.openloop import OpenLoop
from shaftloop.analysis.response import real_crossings

__all__ = ["boundary_factors"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_REAL = 1e-9
"""Share of a locus at rest up to which its imaginary part is rounding."""


def boundary_factors(loop: OpenLoop, frequency: Array) -> list[float]:
    """Return the factors on the gain of a loop of two ticks at which the closed loop may be at its boundary.

    Parameters
    ----------
    frequency : ndarray, shape (n,)
        From `response.grid`. [Hz]
    """
    folded = np.abs(frequency - np.rint(frequency * loop.hyperperiod) / loop.hyperperiod)
    points = np.unique(np.append(folded[folded > 0.0], 0.5 / loop.hyperperiod))
    found = []
    with suppress(np.linalg.LinAlgError):  # at rest, unless something integrates
        still = _pair(loop, np.zeros(1))[0]
        found += (
            -1.0 / still.real[(still.real < 0.0) & (np.abs(still.imag) < _REAL * np.abs(still))]
        ).tolist()
    for locus in _tracked(_pair(loop, points)).T:

        def nearest(f: Array, locus: Complex = locus) -> Complex:
            """Return the one of both that continues the locus."""
            expected = np.interp(f, points, locus.real) + 1j * np.interp(f, points, locus.imag)
            pair = _pair(loop, f)
            return np.asarray(pair[np.arange(len(f)), np.argmin(np.abs(pair - expected[:, None]), axis=1)])

        found += [factor for _, factor in real_crossings(nearest, points, locus)]
    return found


def _pair(loop: OpenLoop, frequency: Array) -> Complex:
    """Return both eigenvalues of the lifted response, of negative feedback as L, shape (n, 2)."""
    lifted = -loop.lifted(np.exp(2j * np.pi * frequency * loop.hyperperiod))
    middle = 0.5 * (lifted[:, 0, 0] + lifted[:, 1, 1])
    apart = np.sqrt((0.5 * (lifted[:, 0, 0] - lifted[:, 1, 1])) ** 2 + lifted[:, 0, 1] * lifted[:, 1, 0])
    return np.stack([middle + apart, middle - apart], axis=1)


def _tracked(pairs: Complex) -> Complex:
    """Return pairs in such an order that both change as little as they can from one to the next."""
    kept = np.abs(np.diff(pairs, axis=0)).sum(axis=1)
    crossed = np.abs(pairs[1:] - pairs[:-1, ::-1]).sum(axis=1) < kept
    turned = np.append(False, np.cumsum(crossed) % 2 == 1)
    return np.where(turned[:, None], pairs[:, ::-1], pairs)
