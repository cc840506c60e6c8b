"""Benches drawn at random: two to ten bodies, servo or PM machines, samplers and hops at many rates."""

import random

__all__ = ["random_bench"]

_RATES = ("2 kHz", "4 kHz", "5 kHz", "8 kHz", "10 kHz")
_PM = """model = "pm_synchronous"
pole_pairs = 4
resistance = "0.05 ohm"
inductance_d = "0.4 mH"
inductance_q = "0.6 mH"
flux_linkage = "0.12 Wb"
current_limit = "1000 A"
current_control = { rate = "8 kHz", bandwidth = "400 Hz", strategy = "zero_d", field_weakening = false }
"""


def random_bench(seed: int, seconds: float = 0.05) -> str:
    """Return the text of a scenario.

    Parameters
    ----------
    seed : int
        Decides everything.
    seconds : float
        Length of its run. [s]
    """
    rng = random.Random(seed)
    bodies = rng.randint(2, 10)
    inertias = [10.0 ** rng.uniform(-2.5, -1.0) for _ in range(bodies)]
    sensor = rng.randrange(bodies - 1)
    encoder = rng.random() < 0.3
    parts = [_machine(rng, "drive", inertias[0])]
    if encoder:
        parts.append(f'part = "encoder"\nname = "enc"\nlines = 2048\nsampling = "{rng.choice(_RATES)}"\n')
    for number in range(bodies - 1):
        parts.append(_sensor(rng, inertias) if number == sensor else _coupling(rng, number, inertias))
        if number < bodies - 2:
            parts.append(
                f'part = "flywheel"\nname = "b{number}"\ninertia = "{inertias[number + 1]:.4g} kg m^2"\n'
            )
    parts.append(_machine(rng, "load", inertias[-1]))
    total, reads = sum(inertias), "enc" if encoder else "drive"
    hop = rng.random() < 0.3
    blocks = ["\n[[line]]\n" + part for part in parts]
    if hop:
        blocks.append('\n[[hop]]\nname = "bus"\ncarries = "ts"\nperiod = "500 us"\ntransport = "120 us"\n')
    kp, ki = 10.0 * total, 40.0 * total
    blocks += [
        f'\n[[loop]]\nname = "speed"\nacts_on = "drive"\nreads = "{reads}"\nrate = "{rng.choice(_RATES)}"\n'
        f'kp = "{kp:.4g} N m s/rad"\nki = "{ki:.4g} N m/rad"\nclamp = "200 N m"\n',
        f'\n[[loop]]\nname = "torque"\nacts_on = "load"\nreads = "{"bus" if hop else "ts"}"\n'
        f'rate = "{rng.choice(_RATES)}"\nkp = {rng.uniform(0.0, 0.1):.4g}\n'
        f'ki = "{rng.uniform(2.0, 40.0):.4g} 1/s"\n'
        f'anti_windup = "conditional"\nclamp = "200 N m"\noutput_latency = "{rng.choice((0, 1))} samples"\n',
        '\n[[sequence]]\ndo = "step"\nloop = "speed"\nto = "100 rpm"\n',
        '\n[[sequence]]\ndo = "step"\nloop = "torque"\nto = "2 N m"\n',
        f'\n[[sequence]]\ndo = "hold"\ntime = "{seconds:g} s"\n',
    ]
    return f'title = "Random bench {seed}"\nunit = "drive"\n' + "".join(blocks)


def _machine(rng: random.Random, name: str, inertia: float) -> str:
    head = f'part = "machine"\nname = "{name}"\ninertia = "{inertia:.4g} kg m^2"\nmax_speed = "3000 rpm"\n'
    drag = 'drag = { viscous = "0.01 N m s/rad", coulomb = "0.1 N m", smoothing = "0.5 rad/s" }\n'
    servo = f'model = "torque_servo"\ntime_constant = "{rng.uniform(0.2, 1.0):.3g} ms"\nrate = "8 kHz"\n'
    return head + drag + (_PM if rng.random() < 0.4 else servo + 'max_torque = "300 N m"\n')


def _stiffness(rng: random.Random, inertias: list[float]) -> float:
    """Return a stiffness that puts the modes between about 30 and 300 Hz [N m/rad]."""
    return min(inertias) * (6.3 * rng.uniform(30.0, 300.0)) ** 2


def _coupling(rng: random.Random, number: int, inertias: list[float]) -> str:
    stiffness = _stiffness(rng, inertias)
    return (
        f'part = "coupling"\nname = "c{number}"\nstiffness = "{stiffness:.4g} N m/rad"\n'
        f"loss_factor_psi = {rng.uniform(0.1, 1.0):.3g}\n"
    )


def _sensor(rng: random.Random, inertias: list[float]) -> str:
    stiffness = f"{_stiffness(rng, inertias):.4g} N m/rad"
    return (
        f'part = "torque_sensor"\nname = "ts"\nrated = "200 N m"\nstiffness = "{stiffness}"\n'
        f'damping = "0.05 N m s/rad"\nsampling = "{rng.choice(_RATES)}"\n'
        f'latency = "{rng.randint(0, 3)} samples"\n'
        f'filter = {{ kind = "bessel", order = 2, cutoff = "{rng.uniform(300.0, 900.0):.0f} Hz" }}\n'
    )
