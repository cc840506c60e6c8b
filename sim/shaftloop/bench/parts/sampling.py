"""What every part that takes samples has in common: how it is without their delay."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

from shaftloop.bench.parts.part import FASTER, Ideal
from shaftloop_models.parameters import Delay, Sampled

__all__ = ["sampling_ideals"]


def sampling_ideals(part: Sampled) -> list[Ideal]:
    """Return the part with samples close together, and without latency where it has one."""
    found = [Ideal("sampling of the sensor", _fast)]
    return [*found, Ideal("sensor latency", _prompt)] if part.latency.value else found


def _fast(part: Any) -> Any:
    latency = Delay(part.latency.seconds(1 / part.sampling))
    return replace(part, sampling=FASTER * part.sampling, phase=Fraction(0), latency=latency)


def _prompt(part: Any) -> Any:
    return replace(part, latency=Delay(Fraction(0)))
