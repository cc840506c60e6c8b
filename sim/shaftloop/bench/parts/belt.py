"""A belt on the bench: mechanics with creep, and what bending it costs."""

from dataclasses import replace

from shaftloop.bench.parts.part import BEYOND, BenchPart, Ideal, Site, on_bench
from shaftloop_models.belt import Belt
from shaftloop_models.gear import declare_mesh_friction
from shaftloop_models.network import Network

__all__ = ["BenchBelt"]


@on_bench(Belt)
class BenchBelt(BenchPart[Belt]):
    """A belt on a bench."""

    def imperfections(self) -> list[Ideal]:
        """Return its creep."""
        if not self.parameters.creep:
            return []
        return [Ideal("creep of the belts", lambda part: replace(part, creep=0.0))]

    def limits(self) -> list[Ideal]:
        """Return its slip torque."""
        slip = self.parameters.slip_torque
        if slip is None:
            return []
        return [Ideal("slip torque", lambda part: replace(part, slip_torque=BEYOND * slip))]

    def declare(self, net: Network, site: Site) -> None:
        """Add its friction."""
        assert site.edge is not None, "a belt has a spring"
        said = "bending", "bending of the belt"
        self.losses = declare_mesh_friction(net, self.parameters, site.node, site.edge.torque, said)
