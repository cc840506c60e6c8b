"""A universal joint on the bench: mechanics, and the orders 2 and 4 that its angle makes."""

from dataclasses import replace

from shaftloop.bench.parts.part import BenchPart, Ideal, on_bench
from shaftloop_models.coupling import MisalignmentLoad
from shaftloop_models.line import Spring
from shaftloop_models.universal_joint import UniversalJoint

__all__ = ["BenchUniversalJoint"]


@on_bench(UniversalJoint)
class BenchUniversalJoint(BenchPart[UniversalJoint]):
    """A universal joint on a bench."""

    uneven = "Universal joint"

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

    def misalignment(self, torque: float, speed: float) -> MisalignmentLoad | None:
        """Return what its angle does, nothing where it is straight."""
        error = next((e.error for e in self.parameters.elements() if isinstance(e, Spring)), None)
        if error is None:
            return None
        first, second = abs(error.first), abs(error.second)
        k = self.parameters.stiffness
        return MisalignmentLoad(first, second, k * first, k * second, None, None, error.order)
