"""A network evaluated in plain Python: derivatives, terms, powers and energy balances at one state.

It shares no code with the compiled engine or, but for what parts bring along, with their equations, so it
serves as an oracle for both. Import it as ``from evaluate import ...`` with this folder on the path.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from shaftloop_models.harmonics import potential_energy
from shaftloop_models.network import (
    Balance,
    Network,
    OwnKind,
    Potential,
    Power,
    PowerKind,
    Ref,
    Term,
    TermKind,
)

__all__ = ["Evaluation", "Residual", "balance_residuals", "evaluate"]


@dataclass(frozen=True)
class Evaluation:
    """What a network says at one state."""

    values: dict[Ref, float]
    """Value of every quantity: state, held, signal, output and the constant 1."""
    derivative: list[float]
    """Time derivative of every state."""
    powers: list[float]
    """Power that every meter integrates. [W]"""


@dataclass(frozen=True)
class Residual:
    """How far an energy balance is from closing."""

    element: str
    error: float
    """In minus out, loss and change of stored energy. [W]"""
    throughput: float
    """Sum of the amounts of all summands. [W]"""

    def relative(self) -> float:
        """Return the error relative to the throughput; nothing flows where that is below 1e-200 W."""
        return abs(self.error) / max(self.throughput, 1e-200)


def evaluate(net: Network, state: Sequence[float], held: Sequence[float] = ()) -> Evaluation:
    """Return the derivatives and powers of a network.

    Parameters
    ----------
    net : Network
        Complete network.
    state, held : sequence of float
        Values of the states and held inputs, in the order of their declaration.
    """
    if len(state) != len(net.states) or len(held) != len(net.helds):
        raise ValueError(f"the network has {len(net.states)} states and {len(net.helds)} held inputs")
    values = {Ref("one", 0): 1.0}
    values |= {Ref("state", i): float(x) for i, x in enumerate(state)}
    # What a machine draws may depend on its own idle share, which its voltage gives.
    values |= {Ref("aside", i): 0.0 for i in range(len(net.asides))}
    values |= {Ref("held", i): float(u) for i, u in enumerate(held)}
    for i, (_, form) in enumerate(net.signals):
        values[Ref("signal", i)] = math.fsum(weight * values[ref] for ref, weight in form.items())
    for term in (*net.terms, *net.terms):
        values |= zip(term.outputs, _outputs(term, [values[ref] for ref in term.reads]), strict=True)
    for i, potential in enumerate(net.potentials):
        values[Ref("potential", i)] = _stored(potential, [values[ref] for ref in potential.reads])
    rows: list[list[float]] = [[] for _ in net.states]
    for row, source, coefficient in net.linear:
        rows[row].append(coefficient * values[source])
    powers: list[list[float]] = [[] for _ in net.meters]
    for power in net.powers:
        powers[power.meter].append(_power(power, values[power.a], values[power.b]))
    return Evaluation(values, [math.fsum(row) for row in rows], [math.fsum(p) for p in powers])


def balance_residuals(net: Network, state: Sequence[float], held: Sequence[float] = ()) -> list[Residual]:
    """Return the residual of every energy balance of a network, in the order of declaration."""
    at = evaluate(net, state, held)
    return [_residual(net, balance, at) for balance in net.balances]


def _residual(net: Network, balance: Balance, at: Evaluation) -> Residual:
    summands = [at.powers[meter] for meter in balance.incoming]
    summands += [-at.powers[meter] for meter in balance.outgoing + balance.losses]
    for coefficient, a, b in balance.stored:
        summands.append(-coefficient * _rate(net, a, at) * at.values[b])
        summands.append(-coefficient * at.values[a] * _rate(net, b, at))
    return Residual(balance.element, math.fsum(summands), math.fsum(abs(s) for s in summands))


def _rate(net: Network, ref: Ref, at: Evaluation) -> float:
    if ref.kind == "state":
        return at.derivative[ref.index]
    if ref.kind == "signal":
        return math.fsum(weight * _rate(net, part, at) for part, weight in net.signals[ref.index][1].items())
    if ref.kind == "one":
        return 0.0
    if ref.kind == "potential":
        potential = net.potentials[ref.index]
        now = [at.values[read] for read in potential.reads]
        rates = [_rate(net, read, at) for read in potential.reads]
        if (orders := _cogging(potential)) is not None:
            angle, turning = now[0] - math.fsum(now[1:]), rates[0] - math.fsum(rates[1:])
            return -turning * math.fsum(a * math.cos(n * angle + phase) for n, a, phase in orders)
        time = 1e-5 * math.hypot(*now) / max(math.hypot(*rates), 1e-200)
        later, before = (
            potential.energy([x + sign * time * rate for x, rate in zip(now, rates, strict=True)])
            for sign in (1.0, -1.0)
        )
        return (later - before) / (2.0 * time) if time > 0.0 else 0.0
    raise ValueError(f"stored energy must be made of states, not of a quantity of kind {ref.kind}")


def _cogging(potential: Potential) -> list[tuple[float, float, float]] | None:
    """Return the orders of an energy of cogging, which has an oracle of its own."""
    energy = potential.energy
    return energy.args[0] if isinstance(energy, partial) and energy.func is potential_energy else None


def _stored(potential: Potential, values: list[float]) -> float:
    if (orders := _cogging(potential)) is None:
        return potential.energy(values)
    angle = values[0] - math.fsum(values[1:])
    return -math.fsum(a / n * math.sin(n * angle + phase) for n, a, phase in orders)


def _outputs(term: Term, inputs: list[float]) -> tuple[float, ...]:
    if isinstance(term.kind, OwnKind):
        written = [0.0] * len(term.outputs)
        term.kind.equation(inputs, term.parameters, written)
        return tuple(written)
    if term.kind == TermKind.COULOMB:
        (speed,), (coulomb, smoothing) = inputs, term.parameters
        return (coulomb * math.tanh(speed / smoothing),)
    if term.kind == TermKind.WINDAGE:
        (speed,), (windage,) = inputs, term.parameters
        return (math.copysign(windage * speed**2, speed),)
    if term.kind == TermKind.DQ_COUPLING:
        (speed, current_d, current_q), (of_q, of_d) = inputs, term.parameters
        return of_q * speed * current_q, -of_d * speed * current_d
    if term.kind == TermKind.RELUCTANCE_TORQUE:
        (current_d, current_q), (coefficient,) = inputs, term.parameters
        return (coefficient * current_d * current_q,)
    if term.kind == TermKind.RIPPLE:
        q, d, line, *twists = inputs
        linear, product, *orders = term.parameters
        made, angle = linear * q + product * q * d, line - math.fsum(twists)
        rows = [orders[i : i + 4] for i in range(0, len(orders), 4)]
        return (math.fsum((a + share * made) * math.cos(n * angle + p) for n, p, a, share in rows),)
    if term.kind == TermKind.MISALIGNMENT:
        (speed, line, twist, error), rest = inputs[:4], inputs[4:]
        stiffness, first, second, phase, count, order = term.parameters
        forces, twists = rest[: int(count)], rest[int(count) :]
        angle = order * (line - math.fsum(twists)) + phase
        slope = first * math.cos(angle) + 2.0 * second * math.cos(2.0 * angle)
        return slope * speed, slope * (stiffness * (twist + error) + math.fsum(forces))
    return _link_outputs(term, inputs)


def _link_outputs(term: Term, inputs: list[float]) -> tuple[float, ...]:
    if term.kind == TermKind.LINK:
        (voltage, *pairs), (low, *sizes) = inputs, term.parameters
        powers = [
            Power(0, PowerKind(kind), size, Ref("one", 0), Ref("one", 0))
            for kind, size in zip(term.choices[1:], sizes, strict=True)
        ]
        total = math.fsum(_power(p, *pairs[2 * i : 2 * i + 2]) for i, p in enumerate(powers))
        return (total * voltage / max(voltage**2, 0.25 * low**2),)
    if term.kind == TermKind.INVERTER:
        (voltage, *currents), (low, constant, threshold, per_volt, resistance) = inputs, term.parameters
        awake, size = min(max((voltage - 0.9 * low) / (0.1 * low), 0.0), 1.0), math.hypot(*currents)
        return (awake * constant + (threshold + per_volt * voltage) * size + resistance * size**2,)
    if term.kind == TermKind.BRIDGE:
        (voltage, current, line, bridged), (drop, fading, precharge, overlap) = inputs, term.parameters
        free = line - voltage - drop * current
        at = max(line - voltage, 0.0) / (drop + precharge) - current
        left = max(free, -fading * current) if bridged else fading * at
        return left, line - overlap * current + max(left - free, 0.0), max(free - left, 0.0)
    if term.kind == TermKind.CHOPPER:
        (share, voltage), (conductance,) = inputs, term.parameters
        return share * voltage * conductance, share * voltage**2 * conductance
    if term.kind == TermKind.SWITCHES:
        (power, line, voltage, diodes), (scale, linear, square, narrow, least, idle) = inputs, term.parameters
        lost = linear * power**2 / math.hypot(power, narrow) + square * power**2
        current = (scale * line * power - lost) * voltage / max(voltage**2, least**2)
        return current, current + diodes, lost, scale * line * (power + idle)
    raise NotImplementedError(f"no plain-Python equation for terms of kind {term.kind!r}")


def _power(power: Power, a: float, b: float) -> float:
    if power.kind == PowerKind.PRODUCT:
        return power.coefficient * a * b
    if power.kind == PowerKind.AMPLITUDE:
        return power.coefficient * math.hypot(a, b)
    link = a * b / power.coefficient if a * b > 0.0 else a * b * power.coefficient
    return link if power.kind == PowerKind.LINK else abs(link - a * b)
