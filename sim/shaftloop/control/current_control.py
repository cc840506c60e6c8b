"""Sampled current control of a PM machine: two PI loops with decoupling and a voltage limit.

One tick, with a = 2π·bandwidth, v the vector shortened to the voltage limit::

    ud = a·Ld·(id* − id) + Id − p·ω·Lq·iq
    uq = a·Lq·(iq* − iq) + Iq + p·ω·(Ld·id + ψ)
    Id += T·(a·R·ed + (R/Ld)·(vd − ud)),  Iq likewise with R/Lq

The voltage becomes active at the next tick (computation) and is held for one period.

References
----------
.. [1] Pole-zero cancellation with feedforward decoupling: R. W. De Doncker, D. W. J. Pulle, A. Veltman,
   Advanced Electrical Drives, chapter 3. From memory.
"""

import math

from shaftloop_models.compiled import equation

__all__ = ["current_tick", "turn"]


@equation
def turn(d: float, q: float, angle: float) -> tuple[float, float]:
    """Return a held stator-frame vector as the rotor sees it after turning by an angle [rad]."""
    c, s = math.cos(angle), math.sin(angle)
    return c * d + s * q, c * q - s * d


@equation
def current_tick(
    target_d: float,
    target_q: float,
    current_d: float,
    current_q: float,
    electrical_speed: float,
    integral_d: float,
    integral_q: float,
    bandwidth: float,
    resistance: float,
    ld: float,
    lq: float,
    psi: float,
    period: float,
    limit: float,
) -> tuple[float, float, float, float]:
    """Return (vd, vq, Id, Iq) of one tick [V].

    Parameters
    ----------
    target_d, target_q, current_d, current_q : float
        Wanted and actual currents. [A]
    electrical_speed : float
        p·ω. [rad/s]
    integral_d, integral_q : float
        Integral parts. [V]
    bandwidth : float
        a. [rad/s]
    resistance, ld, lq, psi : float
        [ohm], [H], [H], [Wb]
    period : float
        [s]
    limit : float
        Largest voltage amplitude. [V]
    """
    error_d, error_q = target_d - current_d, target_q - current_q
    ud = bandwidth * ld * error_d + integral_d - electrical_speed * lq * current_q
    uq = bandwidth * lq * error_q + integral_q + electrical_speed * (ld * current_d + psi)
    size = math.sqrt(ud * ud + uq * uq)
    vd, vq = ud, uq
    if size > limit:
        vd, vq = ud * (limit / size), uq * (limit / size)
    integral_d += period * (bandwidth * resistance * error_d + (resistance / ld) * (vd - ud))
    integral_q += period * (bandwidth * resistance * error_q + (resistance / lq) * (vq - uq))
    return vd, vq, integral_d, integral_q
