"""How many substeps a gap needs.

The linear part is integrated exactly, so the step is bounded by the nonlinear terms only: by the
electrical angle that a PM machine turns per step (through the dq coupling), by the phase of the highest
order of ripple, cogging and misalignment, and by the stiffness of drag terms. For the reference stepper the
fastest eigenvalue bounds the step as well.
"""

import math
from dataclasses import dataclass

import numpy as np

from shaftloop.engine.at import RK4
from shaftloop.engine.plant import Plant
from shaftloop_models.network import OwnKind, Term, TermKind

__all__ = ["Stepping", "longest_step", "tightest"]

_LARGEST_ANGLES = {TermKind.DQ_COUPLING: 0.25, TermKind.RIPPLE: 0.5, TermKind.MISALIGNMENT: 0.5}
"""Electrical angle, or phase of the highest order of what depends on the angle, per substep. [rad]"""
_LARGEST_DECAY = 0.5
"""Product of substep and slope of a drag term."""
_LARGEST_EIGENVALUE = 1.0
"""Product of substep and fastest eigenvalue, for the reference stepper."""


@dataclass(frozen=True)
class Stepping:
    """Method and step rule of a run."""

    method: int
    """`at.ETD4` or `at.RK4`."""
    longest: float
    """Longest substep. [s]"""
    factor: int = 1
    """Every gap is divided this many times finer, e.g. 2 to verify a run."""
    fixed: int | None = None
    """Equal number of substeps in every gap instead of the rule, for convergence tests."""
    stretch: int = 1
    """How many times the speeds that `longest` is made for it has to do for."""

    def substeps(self, gap: float) -> int:
        """Return the number of substeps of a gap [s]."""
        if self.fixed is not None:
            return self.fixed
        return self.factor * max(1, math.ceil(gap / self.longest * self.stretch * (1.0 - 1e-12)))


def longest_step(plant: Plant, method: int) -> float:
    """Return the longest substep that the step rule allows [s]."""
    return tightest(plant, method)[0]


def tightest(plant: Plant, method: int) -> tuple[float, Term | None]:
    """Return the longest substep [s] of a method, and the term that bounds it; nothing where none does."""
    longest, found = math.inf, None
    for term in plant.network.terms:
        if term.slope <= 0.0:
            continue
        angle = term.kind.angle if isinstance(term.kind, OwnKind) else _LARGEST_ANGLES.get(term.kind)
        if angle is not None:
            bound = angle / term.slope
        else:
            driving = [ref.index for ref in term.outputs if ref.kind == "output"]
            reach = float(np.max(np.abs(plant.g[:, driving])))
            # What acts on a body that is blocked reaches nothing.
            bound = _LARGEST_DECAY / (term.slope * reach) if reach > 0.0 else math.inf
        if bound < longest:
            longest, found = bound, term
    if method == RK4:
        fastest = float(np.max(np.abs(np.linalg.eigvals(plant.a)))) if plant.a.size else 0.0
        if fastest * longest > _LARGEST_EIGENVALUE:
            return _LARGEST_EIGENVALUE / fastest, None
    return longest, found
