"""What data sheet and certificate say about a torque sensor beyond the errors that a run shows.

These are limits and uncertainties, not errors: they change no run and serve the uncertainty budget. What is
not stated is left out of the budget, and the budget says so.

References
----------
.. [1] Expanded uncertainty of a certificate with k = 2: EA-4/02 M:2022, section 6, from memory.
.. [2] Temperature effects as limits per kelvin, zero relative to rated, gain relative to the reading: common
   practice, no source.
"""

from dataclasses import dataclass
from typing import Annotated

from shaftloop_models.parameters import Number, Quantity

__all__ = ["Accuracy"]


@dataclass(frozen=True)
class Accuracy:
    """Limits of error and calibration of a torque sensor."""

    calibration: Annotated[
        float | None, Quantity("1", "expanded uncertainty of the calibration, of the reading", gt=0.0, lt=0.5)
    ] = None
    calibration_factor: Annotated[float, Number("coverage factor of calibration", ge=1.0, le=4.0)] = 2.0
    temperature_zero: Annotated[
        float | None,
        Quantity("1/K", "limit of the change of the zero, of rated; 0.1 %/10 K is 0.01 %/K", gt=0.0),
    ] = None
    temperature_gain: Annotated[
        float | None, Quantity("1/K", "limit of the change of the gain, of the reading", gt=0.0)
    ] = None
    long_term: Annotated[
        float | None,
        Quantity("1", "limit of the change between calibrations, of the reading", gt=0.0, lt=0.5),
    ] = None
    parasitic: Annotated[
        float | None, Quantity("1", "limit from bending and axial load as mounted, of rated", gt=0.0, lt=0.5)
    ] = None
    repeatability_dof: Annotated[
        float | None, Number("degrees of freedom of the sensor's repeatability: readings less one", ge=1.0)
    ] = None
