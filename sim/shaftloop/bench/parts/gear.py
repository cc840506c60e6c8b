"""A gear stage on the bench: mechanics, mesh order, and the friction of its mesh."""

from dataclasses import replace
from functools import partial

from shaftloop.bench.parts.part import BenchPart, Ideal, Site, on_bench
from shaftloop_models.coupling import MisalignmentLoad
from shaftloop_models.gear import Gear, declare_mesh_friction
from shaftloop_models.network import Network

__all__ = ["BenchGear"]


@on_bench(Gear)
class BenchGear(BenchPart[Gear]):
    """A gear stage on a bench."""

    uneven = "Mesh of"

    def smooth(self) -> Gear:
        """Return its parameters without transmission error."""
        return replace(self.parameters, transmission_error=0.0, error_order=None)

    def imperfections(self) -> list[Ideal]:
        """Return transmission error and backlash."""
        gear = self.parameters
        stated = (
            (
                "transmission error of the gears",
                gear.transmission_error,
                {"transmission_error": 0.0, "error_order": None},
            ),
            ("backlash", gear.backlash, {"backlash": 0.0}),
        )
        return [Ideal(cause, partial(replace, **keys)) for cause, there, keys in stated if there]

    def excitations(self) -> list[tuple[float, str]]:
        """Return the order of its teeth, and of an error with another one."""
        teeth, order = self.parameters.teeth, self.parameters.error_order
        found = [(float(teeth), "teeth of")] if teeth else []
        return [*found, (float(order), "transmission error of")] if order else found

    def misalignment(self, torque: float, speed: float) -> MisalignmentLoad | None:
        """Return what its transmission error does, nothing without any."""
        gear = self.parameters
        order = gear.order()
        if not gear.transmission_error or order is None:
            return None
        made = gear.stiffness * gear.transmission_error
        return MisalignmentLoad(gear.transmission_error, 0.0, made, 0.0, None, None, order)

    def declare(self, net: Network, site: Site) -> None:
        """Add the friction of its mesh."""
        assert site.edge is not None, "a gear has a spring"
        self.losses = declare_mesh_friction(net, self.parameters, site.node, site.edge.torque)
