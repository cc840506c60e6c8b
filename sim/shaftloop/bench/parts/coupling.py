"""A coupling on the bench: mechanics, and torque of order 1 and 2 where its hubs do not line up."""

from dataclasses import replace
from functools import partial

from shaftloop.bench.parts.part import BEYOND, BenchPart, Ideal, on_bench
from shaftloop_models.coupling import Coupling, MisalignmentLoad, misalignment_load

__all__ = ["BenchCoupling"]


@on_bench(Coupling)
class BenchCoupling(BenchPart[Coupling]):
    """A coupling on a bench."""

    flexes = True

    def smooth(self) -> Coupling:
        """Return its parameters without misalignment."""
        return replace(self.parameters, parallel_offset=0.0, angular_offset=0.0)

    def imperfections(self) -> list[Ideal]:
        """Return misalignment, backlash and progressive stiffness."""
        found = [Ideal("misalignment of the couplings", lambda part: BenchCoupling(part).smooth())]
        if self.parameters.backlash:
            found.append(Ideal("backlash", lambda part: replace(part, backlash=0.0)))
        if self.parameters.cubic_stiffness or self.parameters.characteristic:
            linear = partial(replace, cubic_stiffness=0.0, characteristic=())
            found.append(Ideal("progressive stiffness", linear))
        return found

    def limits(self) -> list[Ideal]:
        """Return its slip torque."""
        slip = self.parameters.slip_torque
        if slip is None:
            return []
        return [Ideal("torque limiter", lambda part: replace(part, slip_torque=BEYOND * slip))]

    def misalignment(self, torque: float, speed: float) -> MisalignmentLoad | None:
        """Return what its offsets do, nothing without any."""
        if self.smooth() == self.parameters:
            return None
        return misalignment_load(self.parameters, torque, speed)
