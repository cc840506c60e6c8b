"""A machine that warms up: winding and housing as two bodies, and what follows their temperatures.

::

    Cw·Tw' = Pw − (Tw − Th)/Rw
    Ch·Th' = Ph + (Tw − Th)/Rw − (Th − Ta)/Rh
    R(Tw)  = R·(1 + α·(Tw − T0)),   ψ(Th) = ψ·(1 + β·(Th − T0))

Pw is the copper loss, Ph iron loss and drag of the machine itself. The magnets have the temperature of
the housing. R and ψ are stated at T0; the controller goes on to reckon with them, as a real one does that
measures no temperature, so that a warm machine makes less torque per ampere asked for. What they depart
from the stated values enters as one nonlinear term, whose numbers change from one thermal tick to the next.

Neglected: hot spots (the hottest place of a winding lies 5 to 15 K above its mean), the way of heat from the
rotor over the air gap (magnets of a closed machine run 10 to 40 K above the housing), radiation and cooling
that grow with temperature and speed (resistance to ambient of a machine without fan falls by 10 to 20 % from
cold to hot), iron loss that falls with temperature (some 0.05 to 0.1 % per K), heat through shaft and flange.
All figures of this list: common practice, no source.

References
----------
.. [1] Two bodies, with time constants of winding and housing: common practice, no source.
.. [2] Copper: α = 0.00393 1/K at 20 °C (IEC 60028, from memory).
"""

from dataclasses import dataclass
from typing import Annotated, Any

from shaftloop_models.network import Network, OwnKind, Ref, Warmth
from shaftloop_models.parameters import Checked, ParameterError, Quantity

__all__ = ["Heat", "declare_warmth"]

_HOTTEST = 250.0
"""Up to which coefficients must make sense where no limit is stated. [degC]"""


@dataclass(frozen=True)
class Heat(Checked):
    """Parameters of the warming of a machine."""

    winding_capacity: Annotated[float, Quantity("J/K", "heat capacity of the winding", gt=0.0)]
    winding_resistance: Annotated[float, Quantity("K/W", "from the winding to the housing", gt=0.0)]
    housing_capacity: Annotated[float, Quantity("J/K", "heat capacity of iron and housing", gt=0.0)]
    housing_resistance: Annotated[float, Quantity("K/W", "from the housing to the ambient", gt=0.0)]
    ambient: Annotated[float, Quantity("degC", "temperature of the ambient", ge=-60.0, le=200.0)] = 20.0
    start: Annotated[
        float | None, Quantity("degC", "of both at the start; ambient where left out", ge=-60.0, le=1000.0)
    ] = None
    winding_limit: Annotated[float | None, Quantity("degC", "hottest that the winding may be", le=1000.0)] = (
        None
    )
    housing_limit: Annotated[float | None, Quantity("degC", "hottest that the housing may be", le=1000.0)] = (
        None
    )
    resistance_coefficient: Annotated[
        float, Quantity("1/K", "change of the resistance, e.g. of copper", ge=-0.1, le=0.1)
    ] = 0.0
    flux_coefficient: Annotated[
        float, Quantity("1/K", "change of the flux linkage; negative for magnets", ge=-0.1, le=0.1)
    ] = 0.0
    reference: Annotated[
        float, Quantity("degC", "at which resistance and flux linkage are stated", ge=-60.0, le=200.0)
    ] = 20.0

    @property
    def begins(self) -> float:
        """Temperature at the start [degC]."""
        return self.ambient if self.start is None else self.start

    def check(self) -> None:
        """Check limits against the start, and that nothing changes its sign on the way to them."""
        for key, limit in (("winding_limit", self.winding_limit), ("housing_limit", self.housing_limit)):
            if limit is not None and limit <= max(self.begins, self.ambient):
                what = "start" if self.begins >= self.ambient else "ambient"
                raise ParameterError(
                    key,
                    f"{limit:g} degC is not above the temperature of {what}, "
                    f"{max(self.begins, self.ambient):g} degC: the machine is too hot before it runs; "
                    f"lower {what} or raise {key}",
                )
        coldest = min(self.begins, self.ambient)
        for key, limit, word in (
            ("resistance_coefficient", self.winding_limit, "resistance"),
            ("flux_coefficient", self.housing_limit, "flux linkage"),
        ):
            coefficient = getattr(self, key)
            for temperature in (coldest, limit or max(_HOTTEST, self.begins)):
                if 1.0 + coefficient * (temperature - self.reference) <= 0.0:
                    raise ParameterError(
                        key,
                        f"{coefficient:g} 1/K makes the {word} zero or negative at {temperature:g} degC; "
                        f"allowed: above -1/(T - reference) up to the hottest and down to the coldest, e.g. "
                        f"{'0.0039 1/K for copper' if word == 'resistance' else '-0.001 1/K for magnets'}",
                    )


def _evaluate(x: Any, p: Any, y: Any) -> None:
    """From speed, id and iq: what R lets drop more, in d and q, EMF and torque of what ψ has more."""
    y[0] = p[0] * x[1]
    y[1] = p[0] * x[2]
    y[2] = p[1] * x[0]
    y[3] = 1.5 * p[1] * x[2]


_WARM = OwnKind("change of resistance and flux with temperature", _evaluate)


def declare_warmth(
    net: Network, name: str, heat: Heat, speed: Ref, currents: tuple[Ref, Ref], values: tuple[float, float]
) -> tuple[tuple[Ref, Ref, Ref, Ref], tuple[Warmth, ...]]:
    """Add what resistance and flux depart from their stated values, as they are at the start.

    Parameters
    ----------
    name : str
        Of the machine.
    speed : Ref
        [rad/s]
    currents : tuple of Ref
        In d and q. [A]
    values : tuple of float
        Resistance [ohm], and pole pairs times flux linkage [Wb], as stated.

    Returns
    -------
    tuple
        Drop in d and in q [V], EMF in q [V], torque [N m]; and what follows the temperatures.
    """
    resistance, flux = values
    term = len(net.terms)
    warmths = (
        Warmth(term, 0, "winding", resistance * heat.resistance_coefficient, 0.0, heat.reference),
        Warmth(term, 1, "housing", flux * heat.flux_coefficient, 0.0, heat.reference),
    )
    names = [f"{name}.{what}" for what in ("warm_drop_d", "warm_drop_q", "warm_emf", "warm_torque")]
    drop_d, drop_q, emf, torque = net.term(
        _WARM, [speed, *currents], [warmth.at(heat.begins) for warmth in warmths], names, slope=0.0
    )
    return (drop_d, drop_q, emf, torque), warmths
