"""What is sampled around a DC link whose voltage is a state: line, switches, what it leaves of a command."""

from shaftloop.engine import at
from shaftloop.engine.compiled.loops import note_limit
from shaftloop.engine.rows import COMPARE, COMPARE_NUMBERS, FOLLOW, FOLLOW_NUMBERS
from shaftloop.kernels.arrays import Floats, Ints
from shaftloop.kernels.decorators import helper
from shaftloop.kernels.views import lane_of

__all__ = ["compare", "follow", "note_voltage", "powered"]


@helper
def powered(u: Floats, voltage: int, level: float, command: float) -> float:
    """Return what the voltage of the link leaves of a torque command [N m]."""
    return 0.0 if voltage >= 0 and u[voltage] < level else command


@helper
def note_voltage(u: Floats, m: int, voltage: int, level: float, tick: int) -> None:
    """Look after the voltage of a link that is not stiff."""
    if voltage >= 0:
        note_limit(u, m, u[voltage] * u[voltage], u[voltage] < level, tick)


@helper
def follow(lane: int, it: Ints, ft: Floats, s: Floats, w: Floats, a: int, f: int) -> None:
    """Let an input follow its profile, which the work vector holds."""
    factor, share = lane_of(ft, lane)[f + FOLLOW_NUMBERS.factor], 1.0 + lane_of(w, lane)[it[at.LOCALS]]
    lane_of(s, lane)[it[a + FOLLOW.result]] = factor * share


@helper
def compare(lane: int, it: Ints, ft: Floats, s: Floats, a: int, f: int) -> None:
    """Switch by the levels, and keep account of the energy that passes."""
    p, u, m, n = lane_of(ft, lane), lane_of(s, lane), it[a + COMPARE.load], COMPARE_NUMBERS
    value, low, high = u[it[a + COMPARE.value]], p[f + n.low], p[f + n.high]
    if p[f + n.smooth] > 0.0:
        u[it[a + COMPARE.result]] = min(max((value - low) / (high - low), 0.0), 1.0)
    elif value >= high:
        u[it[a + COMPARE.result]] = 1.0
    elif value <= low:
        u[it[a + COMPARE.result]] = 0.0
    if it[a + COMPARE.energy] >= 0:
        energy = u[it[a + COMPARE.energy]]
        taken = energy - u[m]
        u[m + 1] = max(u[m + 1] + taken - p[f + n.flows], 0.0)
        u[m + 2] = max(u[m + 2], u[m + 1])
        u[m + 3] += p[f + n.lag] * (taken - u[m + 3])
        u[m + 4] = max(u[m + 4], u[m + 3])
        u[m] = energy
