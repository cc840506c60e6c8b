"""Which currents make a wanted torque in a PM machine, within its current and voltage limits.

In the plane of (id, iq) the current limit is a circle, a stator flux an ellipse around (−ψ/Ld, 0), a
torque a hyperbola. At low speed the point of a torque nearest to the origin is taken (maximum torque
per ampere, or id = 0); where the voltage limit V/ωe cuts it off, the point where the hyperbola meets
the ellipse; where that lies outside the circle or does not exist, the point of largest torque.

Neglected: resistance in the voltage limit (a voltage reserve stands for it), saturation.

References
----------
.. [1] A. E. Fitzgerald, C. Kingsley, S. D. Umans, Electric Machinery, section 11.3 (check E4.1);
   maximum torque per ampere: check E4.3.
.. [2] S. Morimoto, Y. Takeda, T. Hirasa, K. Taniguchi, "Expansion of operating limits for permanent
   magnet motor by current vector control considering inverter capacity", IEEE Trans. Industry
   Applications 26 (1990) 866-871. From memory.
"""

import math

from shaftloop_models.compiled import equation

__all__ = [
    "current_reference",
    "mtpa_currents",
    "mtpa_limit",
    "strongest_currents",
    "unweakened_currents",
    "weakening_current",
]

_NEWTON_STEPS = 6
_WEAKENING_STEPS = 10


@equation
def mtpa_currents(torque: float, psi: float, difference: float, p: float) -> tuple[float, float]:
    """Return (id, iq) of least amplitude for a torque [A].

    On the locus ``id = −2Δ·iq²/(ψ + root)`` with ``root = sqrt(ψ² + (2Δ·iq)²)`` and Δ = Lq − Ld torque is
    a convex function of iq, so that Newton's method from above, where either the magnet or the
    reluctance torque alone would make the torque, converges without fail.

    Parameters
    ----------
    torque : float
        [N m]
    psi : float
        Flux linkage of the magnets. [Wb]
    difference : float
        Lq − Ld. [H]
    p : float
        Pole pairs. [1]
    """
    flux_current = abs(torque) / (1.5 * p)
    current_q = flux_current / psi
    if abs(difference) * current_q > psi:
        current_q = math.sqrt(flux_current / abs(difference))
    for _ in range(_NEWTON_STEPS):
        root = math.sqrt(psi * psi + (2.0 * difference * current_q) ** 2)
        flux = 0.5 * (psi + root)
        slope = flux + 2.0 * (difference * current_q) ** 2 / root
        current_q -= (flux * current_q - flux_current) / slope
    root = math.sqrt(psi * psi + (2.0 * difference * current_q) ** 2)
    return -2.0 * difference * current_q * current_q / (psi + root), math.copysign(current_q, torque)


@equation
def mtpa_limit(amplitude: float, psi: float, difference: float) -> tuple[float, float]:
    """Return (id, iq) of the largest torque that a current amplitude gives [A].

    Parameters
    ----------
    amplitude : float
        [A]
    psi : float
        Flux linkage of the magnets. [Wb]
    difference : float
        Lq − Ld. [H]
    """
    root = math.sqrt(psi * psi + 8.0 * (difference * amplitude) ** 2)
    current_d = -2.0 * difference * amplitude * amplitude / (psi + root)
    return current_d, math.sqrt(amplitude * amplitude - current_d * current_d)


@equation
def weakening_current(
    current_q: float, electrical_speed: float, voltage: float, psi: float, ld: float, lq: float
) -> float:
    """Return the d current at which the stator flux just fits the voltage [A].

    ``(Ld·id + ψ)² + (Lq·iq)² = (V/ωe)²``, resistance neglected; +inf where no voltage is needed. Where the
    q flux alone exceeds the voltage, the d flux is brought to zero.

    Parameters
    ----------
    current_q : float
        [A]
    electrical_speed : float
        p·ω. [rad/s]
    voltage : float
        Amplitude that may be used. [V]
    psi, ld, lq : float
        Flux linkage [Wb] and inductances [H].
    """
    if electrical_speed == 0.0:
        return math.inf
    flux = voltage / abs(electrical_speed)
    left = flux * flux - (lq * current_q) ** 2
    return (math.sqrt(max(left, 0.0)) - psi) / ld


@equation
def strongest_currents(
    flux: float, psi: float, ld: float, lq: float, limit: float, highest_d: float
) -> tuple[float, float]:
    """Return (id, iq) of the largest torque inside a stator flux and a current amplitude [A].

    The larger of two d currents: the one of most torque per flux, and the one at which the flux
    ellipse crosses the circle of the current limit. Where even −limit does not fit the flux, (−limit, 0).

    Parameters
    ----------
    flux : float
        Largest stator flux; it must bind: be below the one at the strongest currents without it. [Wb]
    psi, ld, lq : float
        Flux linkage [Wb] and inductances [H].
    limit : float
        Largest current amplitude. [A]
    highest_d : float
        Bound of id from above: `limit` where there is none other. [A]
    """
    pull = (ld - lq) * flux
    flux_d = 2.0 * pull * flux / (psi * lq + math.sqrt((psi * lq) ** 2 + 8.0 * pull * pull))
    current_d = max((flux_d - psi) / ld, -limit)
    half = psi * ld
    excess = psi * psi + (lq * limit) ** 2 - flux * flux
    root = half * half - (ld * ld - lq * lq) * excess
    if root >= 0.0:
        current_d = max(current_d, -excess / (half + math.sqrt(root)))
    current_d = min(current_d, highest_d)
    room = min(limit**2 - current_d**2, (flux**2 - (psi + ld * current_d) ** 2) / lq**2)
    return current_d, math.sqrt(max(room, 0.0))


@equation
def _weaken(
    current_d: float, current_q: float, flux: float, psi: float, ld: float, lq: float, lowest_d: float
) -> tuple[float, float]:
    """Return the currents that make the torque of (id, iq) at a stator flux [A].

    The excess of squared flux at constant torque is a convex function of id, positive at the start and
    negative at `lowest_d`: Newton's method from above converges without fail.
    """
    flux_current = abs(current_q) * (psi + (ld - lq) * current_d)
    least_q = min(abs(current_q), flux_current / (psi + (ld - lq) * lowest_d))
    current_d = min(current_d, weakening_current(least_q, 1.0, flux, psi, ld, lq))
    for _ in range(_WEAKENING_STEPS):
        flux_d, torque_flux = psi + ld * current_d, psi + (ld - lq) * current_d
        squared_q = (lq * flux_current / torque_flux) ** 2
        slope = 2.0 * (ld * flux_d - squared_q * (ld - lq) / torque_flux)
        current_d = max(current_d - (flux_d * flux_d + squared_q - flux * flux) / slope, lowest_d)
    return current_d, math.copysign(flux_current / (psi + (ld - lq) * current_d), current_q)


@equation
def unweakened_currents(  # noqa: PLR0913  (a compiled equation takes scalars)
    torque: float,
    speed: float,
    p: float,
    psi: float,
    ld: float,
    lq: float,
    limit: float,
    voltage: float,
    mtpa: bool,
) -> tuple[float, float, bool]:
    """Return the (id, iq) of a torque inside the current limit [A], and whether they fit the voltage.

    Parameters
    ----------
    torque : float
        [N m]
    speed : float
        [rad/s]
    p : float
        Pole pairs. [1]
    psi, ld, lq : float
        Flux linkage [Wb] and inductances [H].
    limit, voltage : float
        Largest current amplitude [A] and voltage amplitude [V].
    mtpa : bool
        Least current per torque; else id = 0.
    """
    if mtpa:
        current_d, current_q = mtpa_currents(torque, psi, lq - ld, p)
        most_d, most_q = mtpa_limit(limit, psi, lq - ld)
    else:
        current_d, current_q = 0.0, torque / (1.5 * p * psi)
        most_d, most_q = 0.0, limit
    if current_d * current_d + current_q * current_q > limit * limit:
        current_d, current_q = most_d, math.copysign(most_q, torque)
    electrical = abs(p * speed)
    flux = math.sqrt((psi + ld * current_d) ** 2 + (lq * current_q) ** 2)
    return current_d, current_q, electrical * flux <= voltage


@equation
def current_reference(  # noqa: PLR0913  (a compiled equation takes scalars)
    torque: float,
    speed: float,
    p: float,
    psi: float,
    ld: float,
    lq: float,
    limit: float,
    voltage: float,
    mtpa: bool,
) -> tuple[float, float]:
    """Return the (id, iq) that the current loops are asked for [A].

    Maximum torque per ampere (or id = 0) inside the current limit; where that needs more than
    `voltage`, the currents of the same torque that just fit it, and where there are none, those of the
    largest torque that fit both. The torque never falls when more of it is asked for.

    Parameters
    ----------
    torque : float
        Commanded air-gap torque. [N m]
    speed : float
        Rotor speed. [rad/s]
    p, psi, ld, lq : float
        Pole pairs [1], flux linkage [Wb], inductances [H].
    limit : float
        Largest current amplitude. [A]
    voltage : float
        Voltage amplitude for field weakening, infinite to switch it off. [V]
    mtpa : bool
        True for maximum torque per ampere, False for id = 0.
    """
    current_d, current_q, fits = unweakened_currents(torque, speed, p, psi, ld, lq, limit, voltage, mtpa)
    if fits:
        return current_d, current_q
    flux = voltage / abs(p * speed)
    most_d, most_q = strongest_currents(flux, psi, ld, lq, limit, limit if mtpa else 0.0)
    wanted = abs(current_q) * (psi + (ld - lq) * current_d)
    if wanted >= most_q * (psi + (ld - lq) * most_d):
        return most_d, math.copysign(most_q, torque)
    return _weaken(current_d, current_q, flux, psi, ld, lq, most_d)
