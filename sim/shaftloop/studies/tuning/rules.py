"""Starting rules of the trade, as baselines: what each proposes for a plant, and where it does not apply."""

from collections.abc import Callable
from dataclasses import dataclass

from shaftloop.control.parameters import Loop
from shaftloop.studies.tuning.controller import with_gains
from shaftloop.studies.tuning.identify import LagModel
from shaftloop.studies.tuning.relay import LimitCycle

__all__ = ["RULES", "Proposal", "Rule", "amigo_pi", "propose", "simc_pi"]

_LONG = 4.0
"""Lag over delay from which a plant is taken for one that integrates."""


@dataclass(frozen=True)
class Rule:
    """A rule of the trade."""

    name: str
    source: str
    apply: Callable[[LagModel, LimitCycle | None], tuple[float, float] | str]
    """(kp, ki), or why it does not apply."""


@dataclass(frozen=True)
class Proposal:
    """What a rule proposes for a plant."""

    rule: str
    source: str
    loop: Loop | None
    """Nothing where it does not apply."""
    reason: str
    """Why not; or what was changed. Empty where there is nothing to say."""


def simc_pi(model: LagModel) -> tuple[float, float]:
    """Return (kp, ki) by the SIMC rule with the closed-loop time constant equal to the delay.

    Parameters
    ----------
    model : LagModel
        The plant.
    """
    if model.lag == 0.0:
        return 0.0, 1.0 / (model.gain * 2.0 * model.delay)
    kp = 1.0 / (model.rate * 2.0 * model.delay)
    return kp, kp / min(model.lag, 8.0 * model.delay)


def amigo_pi(model: LagModel) -> tuple[float, float]:
    """Return (kp, ki) by the AMIGO rule for PI.

    Parameters
    ----------
    model : LagModel
        The plant.
    """
    delay, lag = model.delay, model.lag
    if model.integrates:
        kp = 0.35 / (model.rate * delay)
        return kp, kp / (13.4 * delay)
    kp = 0.15 / model.gain
    if lag > 0.0:
        kp += (0.35 - delay * lag / (delay + lag) ** 2) * lag / (model.gain * delay)
    return kp, kp / (0.35 * delay + 13.0 * delay * lag**2 / (lag**2 + 12.0 * delay * lag + 7.0 * delay**2))


def _magnitude(model: LagModel, _: LimitCycle | None) -> tuple[float, float] | str:
    if model.integrates:
        return "the plant integrates; the symmetrical optimum is meant for it"
    if model.lag == 0.0:
        return 0.0, 1.0 / (2.0 * model.gain * model.delay)
    kp = 1.0 / (2.0 * model.rate * model.delay)
    return kp, kp / model.lag


def _symmetrical(model: LagModel, _: LimitCycle | None) -> tuple[float, float] | str:
    if not model.integrates and model.lag < _LONG * model.delay:
        return f"the plant neither integrates nor has a lag above {_LONG:g} times its delay"
    kp = 1.0 / (2.0 * model.rate * model.delay)
    return kp, kp / (4.0 * model.delay)


def _relay_classic(_: LagModel, cycle: LimitCycle | None) -> tuple[float, float] | str:
    if cycle is None:
        return "the relay finds no regular limit cycle"
    kp = 0.45 * cycle.gain
    return kp, kp / (cycle.period / 1.2)


def _relay_amigo(model: LagModel, cycle: LimitCycle | None) -> tuple[float, float] | str:
    if cycle is None:
        return "the relay finds no regular limit cycle"
    ratio = 0.0 if model.integrates else 1.0 / (cycle.gain * model.gain)
    kp = 0.16 * cycle.gain
    return kp, kp * (1.0 + 4.5 * ratio) / cycle.period


RULES = (
    Rule(
        "magnitude optimum",
        "C. Kessler, 1955; as in D. Schröder, Elektrische Antriebe, from memory",
        _magnitude,
    ),
    Rule(
        "symmetrical optimum",
        "C. Kessler, 1958; as in D. Schröder, Elektrische Antriebe, from memory",
        _symmetrical,
    ),
    Rule(
        "SIMC",
        "S. Skogestad, J. Process Control 13 (2003) 291-309, from memory",
        lambda model, _: simc_pi(model),
    ),
    Rule(
        "AMIGO",
        "K. J. Åström, T. Hägglund, Advanced PID Control, 2006, chapter 7",
        lambda model, _: amigo_pi(model),
    ),
    Rule(
        "relay, Ziegler-Nichols",
        "J. G. Ziegler, N. B. Nichols, Trans. ASME 64 (1942) 759-768, from memory",
        _relay_classic,
    ),
    Rule(
        "relay, AMIGO",
        "K. J. Åström, T. Hägglund, Advanced PID Control, 2006, chapter 7, from memory",
        _relay_amigo,
    ),
)


def propose(model: LagModel | None, cycle: LimitCycle | None, loop: Loop) -> tuple[Proposal, ...]:
    """Return what each rule proposes.

    Parameters
    ----------
    model : LagModel or None
        The plant with the loop's filters.
    cycle : LimitCycle or None
        From the relay experiment.
    loop : Loop
        Its controller: all but kp and ki stays.
    """
    found = []
    for rule in RULES:
        gains = "the phase never reaches -180°" if model is None else rule.apply(model, cycle)
        if isinstance(gains, str):
            found.append(Proposal(rule.name, rule.source, None, gains))
            continue
        (kp, ki), note = gains, ""
        least = ki / float(loop.rate)
        if loop.anti_windup == "back_calculation" and kp < least:
            kp, note = least, "kp raised to ki times the period, which back-calculation needs"
        found.append(Proposal(rule.name, rule.source, with_gains(loop, kp, ki), note))
    return tuple(found)
