"""The table ``[uncertainty]`` of a scenario: under which conditions a bench measures.

What a sensor, encoder or power meter is worth stands with that part; here stand the operating points, the
averaging and what the surroundings and the bench do meanwhile.
"""

from dataclasses import dataclass
from typing import Annotated

from shaftloop_models.parameters import Number, ParameterError, Quantity

__all__ = ["Point", "SupplyMeter", "Uncertainty"]


@dataclass(frozen=True)
class Point:
    """An operating point to be measured."""

    speed: Annotated[float, Quantity("rad/s", "steady speed", gt=0.0)]
    torque: Annotated[float, Quantity("N m", "steady torque at the sensor")]


@dataclass(frozen=True)
class SupplyMeter:
    """A meter of the power that the supply delivers to the link: the losses of a back-to-back bench."""

    range: Annotated[float, Quantity("W", "largest reading, either sign", gt=0.0)]
    class_reading: Annotated[float, Quantity("1", "limit of error, share of the reading", ge=0.0, lt=1.0)] = (
        0.0
    )
    class_range: Annotated[float, Quantity("1", "limit of error, share of the range", ge=0.0, lt=1.0)] = 0.0


@dataclass(frozen=True)
class Uncertainty:
    """Conditions of a measurement of torque, speed, power and efficiency."""

    points: tuple[Point, ...] = ()
    coverage: Annotated[float, Number("probability of the expanded uncertainties", ge=0.5, le=0.999)] = 0.95
    window: Annotated[float, Quantity("s", "time over which all readings are averaged", gt=0.0, le=1e5)] = 1.0
    temperature: Annotated[
        float, Quantity("K", "largest deviation since zero and gain were set", ge=0.0, le=200.0)
    ] = 0.0
    torque_ripple: Annotated[
        float, Quantity("N m", "amplitude of the torque ripple at the sensor", ge=0.0)
    ] = 0.0
    speed_ripple: Annotated[float, Quantity("rad/s", "amplitude of the speed ripple", ge=0.0)] = 0.0
    ripple_order: Annotated[float | None, Number("periods of the ripple per turn", gt=0.0, le=1000.0)] = None
    torque_drift: Annotated[float, Quantity("N m/s", "largest rate at which the torque wanders", ge=0.0)] = (
        0.0
    )
    speed_drift: Annotated[float, Quantity("rad/s^2", "largest rate at which the speed wanders", ge=0.0)] = (
        0.0
    )
    correlation: Annotated[
        float, Number("correlation of what torque and speed do in the window", ge=-1.0, le=1.0)
    ] = 0.0
    clock_error: Annotated[
        float | None, Quantity("1", "limit of the relative error of the clock behind speed", gt=0.0, lt=0.1)
    ] = None
    meter_correlation: Annotated[
        float, Number("correlation of the power meters' errors; 1: one instrument", ge=0.0, le=1.0)
    ] = 0.0
    losses: Annotated[
        float | None,
        Quantity(
            "1", "limit of the relative error of the unit's losses, determined one by one", gt=0.0, le=1.0
        ),
    ] = None
    supply_meter: SupplyMeter | None = None
    split: Annotated[
        float | None,
        Quantity("1", "limit of the relative error of the unit's share of all losses", gt=0.0, le=1.0),
    ] = None

    def __post_init__(self) -> None:
        """Check what hangs together."""
        if (self.torque_ripple or self.speed_ripple) and self.ripple_order is None:
            raise ParameterError("ripple_order", "missing: how often per turn the stated ripple comes")
        if (self.supply_meter is None) != (self.split is None):
            key = "split" if self.split is None else "supply_meter"
            raise ParameterError(key, "missing: supply_meter and split go together")
        if self.losses is not None and self.supply_meter is not None:
            raise ParameterError("losses", "give either losses, or supply_meter and split")
