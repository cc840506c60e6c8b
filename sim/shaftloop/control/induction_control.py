"""Sampled control of induction machines: oriented at the rotor flux, and plain volts per hertz.

Field orientation, in the axes of `shaftloop_models.induction_machine`; b = 1/(1 + Lℓ/L) with the main
inductance L at the stator flux that follows from flux and current, R the rotor resistance as believed::

    ωf  = p·ω + b·R·iq/ψ                  slip from the sampled speed
    ψ' += T·b·R·(id − ψ/L)                its model of the rotor flux
    id* = ψ/L + 2π·f/(b·R)·(ψ* − ψ)       flux control
    iq* = torque/(1.5·p·b·ψ)

The wanted flux ψ* falls where the voltage does not suffice for it: ``(V/ωf)² = ψ*² + (b·Lℓ·iq*)²``, V being
the voltage without reserve and drop at the stator resistance. The current loops are those of
`shaftloop.control.current_control` with the inductance b·Lℓ and the flux b·ψ.

Volts per hertz: the frequency is run up along a ramp; slip compensation and the command of a loop add to it.
At the current limit the ramp runs back while the machine drives and ahead while it brakes. A trip blocks the
pulses: the current stops within some ticks, and the flux of the rotor fades by itself. So does a link below
its undervoltage, for either control; the ramp then follows the rotor, and starts from its speed again.

References
----------
.. [1] Indirect field orientation: R. W. De Doncker, D. W. J. Pulle, A. Veltman, Advanced Electrical Drives,
   chapter 8. From memory. Boost, ramp, slip compensation, stall prevention: common practice, no source.
"""

import math

from shaftloop.control.current_control import current_tick
from shaftloop_models.compiled import equation
from shaftloop_models.induction_machine import inverse_inductance

__all__ = ["blocked_voltages", "field_oriented_tick", "volts_per_hertz_tick"]

_LEAST_FLUX = 0.01
"""Share of the wanted flux below which torque and slip are counted with this much."""
_LEAST_VOLTAGE = 0.1
"""Share of the voltage that the drop at the stator resistance leaves in any case."""
_PULL_OUT = math.sqrt(0.5)
"""Share of the whole flux that either part has where field weakening makes the most torque."""


@equation
def field_oriented_tick(
    torque: float,
    speed: float,
    currents: tuple[float, float],
    memory: tuple[float, float, float],
    circuit: tuple[float, float, float, float, float, float],
    wanted: tuple[float, float, float, float],
    limits: tuple[float, float, float, float],
) -> tuple[tuple[float, float], float, tuple[float, float, float], tuple[float, float]]:
    """Return voltages [V], rate of the axes [rad/s], memory, and wanted currents [A] of one tick.

    Parameters
    ----------
    torque : float
        Command. [N m]
    speed : float
        p·ω. [rad/s]
    currents : tuple of float
        In d and q. [A]
    memory : tuple of float
        Integrals of the current loops and rotor flux. [V], [V], [Wb]
    circuit : tuple of float
        Main inductance, knee, exponent, leakage, stator and believed rotor resistance.
    wanted : tuple of float
        Rotor flux [Wb], bandwidths of flux and current control [rad/s], pole pairs.
    limits : tuple of float
        Period [s], largest voltage, voltage at which field weakening begins [V], largest current [A].
    """
    main, knee, exponent, leakage, stator, rotor = circuit
    command, flux_bandwidth, bandwidth, pole_pairs = wanted
    period, most_voltage, weaken_above, most_current = limits
    (d, q), (integral_d, integral_q, flux) = currents, memory
    # The main inductance at the flux of the stator, of which that of the rotor is the first guess.
    share = 1.0 / (1.0 + leakage * inverse_inductance(flux, 0.0, main, knee, exponent))
    inverse = inverse_inductance(share * (leakage * d + flux), share * leakage * q, main, knee, exponent)
    share = 1.0 / (1.0 + leakage * inverse)
    transient, rate, strength = share * leakage, share * rotor, max(flux, _LEAST_FLUX * command)
    frame = speed + rate * q / strength
    volts = max(weaken_above - stator * math.sqrt(d * d + q * q), _LEAST_VOLTAGE * weaken_above)
    reach = volts / max(abs(frame), 1e-9)
    most_q = _PULL_OUT * reach / transient
    wanted_q = min(max(torque / (1.5 * pole_pairs * share * strength), -most_q), most_q)
    target = min(command, math.sqrt(max(reach * reach - (transient * wanted_q) ** 2, 0.0)))
    wanted_d = flux * inverse + flux_bandwidth / rate * (target - flux)
    wanted_d = min(max(wanted_d, -most_current), most_current)
    room = math.sqrt(most_current * most_current - wanted_d * wanted_d)
    wanted_q = min(max(wanted_q, -room), room)
    vd, vq, integral_d, integral_q = current_tick(
        wanted_d,
        wanted_q,
        d,
        q,
        frame,
        integral_d,
        integral_q,
        bandwidth,
        stator + share * rate,
        transient,
        transient,
        share * flux,
        period,
        most_voltage,
    )
    flux += period * rate * (d - flux * inverse)
    return (vd, vq), frame, (integral_d, integral_q, flux), (wanted_d, wanted_q)


@equation
def volts_per_hertz_tick(
    enabled: float,
    torque: float,
    speed: float,
    currents: tuple[float, float],
    fluxes: tuple[float, float],
    memory: tuple[float, float],
    frequency: tuple[float, float, float, float, float],
    voltage: tuple[float, float, float, float],
    limits: tuple[float, float],
) -> tuple[tuple[float, float], float, tuple[float, float]]:
    """Return voltages wanted [V], frequency, and memory [rad/s] of one tick.

    Parameters
    ----------
    enabled : float
        1, or what a trip leaves of it: at 0 the pulses are blocked.
    torque : float
        Command. [N m]
    speed : float
        p·ω. [rad/s]
    currents : tuple of float
        Along the voltage and across. [A]
    fluxes : tuple of float
        Of the stator, for blocked pulses alone. [Wb]
    memory : tuple of float
        Frequency on the ramp, and what slip compensation adds. [rad/s]
    frequency : tuple of float
        Set-point, most per tick [rad/s], added per torque [rad/(N m s)] and per active current [rad/(A s)],
        share of the difference that compensation takes at a tick.
    voltage : tuple of float
        At standstill, rated [V], rated frequency [rad/s], largest of the inverter [V].
    limits : tuple of float
        Largest current [A], and voltage per current that stops it once pulses are blocked [ohm].
    """
    set_point, step, per_torque, per_current, lag = frequency
    boost, rated, rated_frequency, most = voltage
    (active, reactive), (ramped, added), (most_current, stopping) = currents, memory, limits
    if active * active + reactive * reactive > most_current * most_current:
        ramped -= math.copysign(step, active * ramped)
    else:
        ramped += min(max(set_point - ramped, -step), step)
    added += lag * (math.copysign(per_current, ramped) * active - added)
    asked = speed + enabled * (ramped + added + per_torque * torque - speed)
    volts = min(boost + (rated - boost) * abs(asked) / rated_frequency, rated, most)
    if enabled >= 1.0:
        return (volts, 0.0), asked, (ramped, added)
    left, (d, q) = 1.0 - enabled, blocked_voltages(asked, currents, fluxes, stopping)
    return (enabled * volts + left * d, left * q), asked, (ramped, added)


@equation
def blocked_voltages(
    frame: float, currents: tuple[float, float], fluxes: tuple[float, float], stopping: float
) -> tuple[float, float]:
    """Return the voltages of blocked pulses [V]: of the turning flux, less what brings the current to a stop.

    Parameters
    ----------
    frame : float
        Rate at which the axes turn. [rad/s]
    currents, fluxes : tuple of float
        Of the stator. [A], [Wb]
    stopping : float
        Voltage per current. [ohm]
    """
    return -(frame * fluxes[1] + stopping * currents[0]), frame * fluxes[0] - stopping * currents[1]
