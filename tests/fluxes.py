"""A machine whose fluxes saturate, by a closed form that belongs to an energy, for the tests of flux maps.

M. Hinkkanen, P. Pescetto, E. Mölsä, S. E. Saarakkala, G. Pellegrino, R. Bojoi, "Sensorless self-commissioning
of synchronous reluctance motors at standstill without rotor locking", IEEE Transactions on Industry
Applications 53 (2017) 2120-2129: currents as powers of the fluxes; magnets take a constant current away.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rigs import Table


class Saturated(NamedTuple):
    """Coefficients of the closed form with U = 1 and V = 0, in A and Wb."""

    d0: float
    dd: float
    s: float
    q0: float
    qq: float
    t: float
    dq: float
    magnets: float
    """Current that stands for the magnets. [A]"""

    def currents(self, d: float, q: float) -> tuple[float, float]:
        """Return the currents of two fluxes."""
        along = (self.d0 + self.dd * abs(d) ** self.s + 0.5 * self.dq * abs(d) * q * q) * d - self.magnets
        return along, (self.q0 + self.qq * abs(q) ** self.t + self.dq / 3.0 * abs(d) ** 3) * q

    def fluxes(self, current_d: float, current_q: float) -> tuple[float, float]:
        """Return the fluxes of two currents, by damped Newton steps."""
        at, wanted = np.array([1e-3, 0.0]), np.array([current_d, current_q])
        for _ in range(200):
            left = np.subtract(self.currents(*at), wanted)
            steps = 1e-7 * np.eye(2)
            slopes = [(np.subtract(self.currents(*(at + h)), self.currents(*(at - h)))) / 2e-7 for h in steps]
            move, share = np.linalg.solve(np.array(slopes).T, left), 1.0
            while (
                np.linalg.norm(np.subtract(self.currents(*(at - share * move)), wanted))
                > np.linalg.norm(left)
                and share > 1e-6
            ):
                share /= 2.0
            at = at - share * move
            if np.abs(move).max() < 1e-15:
                break
        return float(at[0]), float(at[1])

    def rows(self, along: Sequence[float], across: Sequence[float]) -> tuple[tuple[float, ...], ...]:
        """Return a table over d and q currents."""
        return tuple((float(d), float(q), *self.fluxes(d, q)) for d in along for q in across)


PUBLISHED = Saturated(17.4, 373.0, 5.0, 52.1, 658.0, 1.0, 1120.0, 0.0)
"""The reluctance machine of 6.7 kW that the paper identifies; values from memory."""
MAGNETS = Saturated(1800.0, 9e6, 5.0, 1250.0, 4e5, 3.0, 3e5, 221.0)
"""Invented: four pole pairs, 200 A, 0.11 Wb, buried magnets."""


def points(rows: Sequence[Sequence[float]]) -> list[dict[str, str]]:
    """Return a table as a scenario has it inline."""
    keys = (("current_d", "A"), ("current_q", "A"), ("flux_d", "Wb"), ("flux_q", "Wb"))
    return [{key: f"{value!r} {unit}" for (key, unit), value in zip(keys, row, strict=True)} for row in rows]


def mapped(rows: Sequence[Sequence[float]], **changes: object) -> Table:
    """Return the machine with magnets, its map inline; its control reckons with constant inductances."""
    plain = {
        "part": "machine",
        "model": "pm_synchronous",
        "name": "m",
        "inertia": "0.03 kg m^2",
        "pole_pairs": 4,
        "resistance": "50 mohm",
        "inductance_d": "0.4 mH",
        "inductance_q": "0.6 mH",
        "flux_linkage": "0.11 Wb",
        "current_limit": "200 A",
        "max_speed": "4000 rpm",
        "rated_torque": "100 N m",
        "current_control": {"rate": "10 kHz", "bandwidth": "500 Hz"},
    }
    return {**plain, "flux_map": {"points": points(rows)}, **changes}
