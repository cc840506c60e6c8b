"""The common DC link and its grid side.

The link is stiff: its voltage is the stated one whatever power flows. Motoring and regenerating
power meet at the link; the grid supplies or absorbs the rest, ``P_grid = Σ P_link``. The grid
converter is taken as free of loss (check E10.4).

Neglected: link capacitance and voltage swing, the loss of the grid converter (common practice, no
source: 1.5 to 3 % of the power it carries, so of the small rest and not of the circulating power).
"""

from dataclasses import dataclass
from typing import Annotated

from shaftloop_models.parameters import Quantity

__all__ = ["Supply", "voltage_limit"]


@dataclass(frozen=True)
class Supply:
    """Parameters of the DC link."""

    voltage: Annotated[float, Quantity("V", "DC-link voltage", gt=0.0, le=1500.0)] = 600.0


def voltage_limit(link_voltage: float, modulation: float) -> float:
    """Return the largest phase voltage amplitude that the inverter can make [V].

    Parameters
    ----------
    link_voltage : float
        [V]
    modulation : float
        Share of the linear range of space-vector modulation that is used; 1 is all of it. [1]
    """
    return float(modulation * link_voltage / 3.0**0.5)
