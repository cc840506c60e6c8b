"""A universal joint on the bench: mechanics, and the orders 2 and 4 that its angle makes."""

from dataclasses import replace

from shaftloop.bench.parts.part import BenchPart, Ideal, on_bench
from shaftloop_models.universal_joint import UniversalJoint

__all__ = ["BenchUniversalJoint"]


@on_bench(UniversalJoint)
class BenchUniversalJoint(BenchPart[UniversalJoint]):
    """A universal joint on a bench."""

    def smooth(self) -> UniversalJoint:
        """Return its parameters without an angle."""
        return replace(self.parameters, angle=0.0)

    def imperfections(self) -> list[Ideal]:
        """Return its angle."""
        if not self.parameters.angle:
            return []
        return [Ideal("angles of the joints", lambda joint: replace(joint, angle=0.0))]

    def excitations(self) -> list[tuple[float, str]]:
        """Return the orders that its angle makes."""
        return [(order, "joint") for order in (2.0, 4.0)] if self.parameters.angle else []
