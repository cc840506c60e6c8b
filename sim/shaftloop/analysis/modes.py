"""Torsional modes of the shaft line, from the plant matrix that the simulation integrates.

The mechanical block of ``A`` (speeds, twists, Maxwell branch forces) holds inertias, springs, dampers and
viscous drag. It is written in coordinates half of whose square is the stored energy. The matrix of an
undamped line is then skew-symmetric, and its eigenvalues are exact to rounding however stiff and soft parts
are mixed. The share of a spring in the elastic energy is a sum of squares.

Flanks with play count as touching. Left out: their damping; what currents and controllers of the machines
add; Coulomb drag and windage, which hardly damp small motions of a line that turns.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shaftloop.bench.handles import Bench
from shaftloop_models.tree import Tree

__all__ = ["Mechanics", "Mode", "find_modes", "mechanics"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_OSCILLATES = 1e-6
"""Least imaginary part of a mode over its size: what is closer to aperiodic is no mode."""
_RIGID = 1e-10
"""Size of the rigid body's eigenvalue over the largest, at most."""
_UNDAMPED = 1e-9
"""Damping ratio below which the response at resonance has no value."""


@dataclass(frozen=True)
class Mode:
    """One mode of the line."""

    frequency: float
    """Natural frequency: the eigenvalue's size over 2π. [Hz]"""
    damping_ratio: float
    shape: dict[str, float]
    """Angle of every body, the largest one 1."""
    strains: dict[str, float]
    """Share of every spring in the elastic energy."""
    amplification: dict[str, float | None]
    """By machine: true torque at the sensor per air-gap torque of this frequency; nothing where it has no
    end, or where the line has no sensor. [N m/N m]"""

    tree: Tree = field(default_factory=lambda: Tree(()))
    """How bodies and springs hang together."""

    @property
    def weakest(self) -> str:
        """The part that the mode strains most."""
        return max(self.strains, key=lambda part: self.strains[part])

    @property
    def nodes(self) -> dict[str, float]:
        """Where the line stands still: springs, and the share of each that lies left of its node.

        The spring of a differential lies on the side of its input.
        """
        angles = list(self.shape.values())
        ends = [
            (joint.part, angles[joint.left], joint.share * sum(angles[right] for right in joint.rights))
            for joint in self.tree.joints
        ]
        return {part: left / (left - right) for part, left, right in ends if left * right < 0.0}


@dataclass(frozen=True)
class Mechanics:
    """The mechanical part of a bench in energy coordinates ``y``: ``y' = A·y + b·torque``."""

    bodies: tuple[str, ...]
    a: Array
    """(n, n): first the bodies, then the states of the springs."""
    inertias: Array
    """(bodies,). [kg m^2]"""
    springs: dict[str, NDArray[np.intp]]
    """Rows of `a` by part."""
    machines: dict[str, int]
    """Body that a machine's air-gap torque acts on."""
    sensor: str | None
    """Torque sensor that the responses refer to."""
    sensed: Array
    """(n,): true torque at that sensor. [N m]"""
    slots: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, dtype=np.intp))
    """(n,): slots of the bench behind the states."""
    scale: Array = field(default_factory=lambda: np.zeros(0))
    """(n,): state over the content of its slot."""
    held: str = ""
    """Body that is a fixed end, empty where the line turns."""
    tree: Tree = field(default_factory=lambda: Tree(()))
    """How bodies and springs hang together."""

    def poles(self) -> tuple[Complex, Complex]:
        """Return eigenvalues of rising size, shape (modes,), and vectors, shape (n, modes). [rad/s]."""
        return _oscillating(self.a)

    def antiresonances(self, machine: str) -> Array:
        """Return the frequencies at which a machine's torque hardly moves its own rotor [Hz].

        They are the zeros from its air-gap torque to its speed, and so the modes of the line with this rotor
        held.

        Parameters
        ----------
        machine : str
            Its name.
        """
        rest = np.delete(np.arange(len(self.a)), self.machines[machine])
        values, _ = _oscillating(self.a[np.ix_(rest, rest)])
        return np.asarray(np.abs(values) / (2.0 * np.pi))

    def torque_response(self, machine: str, frequency: Array) -> Complex:
        """Return the true torque at the sensor per air-gap torque, shape (frequencies,) [N m/N m].

        Parameters
        ----------
        machine : str
            Its name.
        frequency : ndarray, shape (frequencies,)
            [Hz]
        """
        body = self.machines[machine]
        drive = np.zeros(len(self.a))
        drive[body] = 1.0 / np.sqrt(self.inertias[body])
        s = 2j * np.pi * np.atleast_1d(frequency)
        matrices = s[:, None, None] * np.eye(len(self.a)) - self.a
        return np.asarray(np.linalg.solve(matrices, drive[:, None])[..., 0] @ self.sensed)


def mechanics(bench: Bench, slopes: Array | None = None) -> Mechanics:
    """Return the mechanical part of a bench.

    Parameters
    ----------
    slopes : ndarray, shape (terms, states), optional
        Of the nonlinear terms at an operating point, from `term_slopes`; else springs have the stiffness of
        zero torque, their flanks touching.
    """
    line, plant = bench.line, bench.model.plant
    speeds = [node.speed.index for node in line.nodes]
    rows, springs = list(speeds), {}
    laws = {} if slopes is None else {edge.part: edge.laid for edge in line.edges if edge.laid is not None}
    taken = {edge.laid.taken for edge in line.edges if edge.laid is not None}
    bent = [ref.index for laid in laws.values() for ref in laid.outputs]
    whole = plant.a if slopes is None else plant.a + plant.g[:, bent] @ slopes[bent]
    for edge in line.edges:
        form = plant.network.signals[edge.torque.index][1]
        own = [ref.index for ref in form if ref.index not in speeds and ref not in taken]
        springs[edge.part] = np.arange(len(rows), len(rows) + len(own))
        rows += own
    weights = {
        a.index: weight
        for balance in plant.network.balances
        for weight, a, b in balance.stored
        if a == b and a.kind == "state"
    }
    weights |= {edge.twist.index: 0.5 * edge.stiffness for edge in line.edges}
    if slopes is not None:
        for edge in line.edges:
            if edge.part in laws:
                weights[edge.twist.index] -= 0.5 * float(slopes[laws[edge.part].lost.index, edge.twist.index])
    # A fixed end stores nothing, and as it never moves any scale will do.
    scale = np.sqrt([2.0 * weights.get(row, 0.5) for row in rows])
    sensor = bench.main_sensor()
    seen = plant.c[plant.rows[sensor.true_torque]][rows] if sensor else np.zeros(len(rows))
    return Mechanics(
        tuple(node.name for node in line.nodes),
        whole[np.ix_(rows, rows)] * scale[:, None] / scale,
        np.array([node.inertia for node in line.nodes]),
        springs,
        {name: machine.body for name, machine in bench.machines.items()},
        sensor.parameters.name if sensor else None,
        seen / scale,
        np.array(rows),
        scale,
        line.held,
        line.tree,
    )


def find_modes(line: Mechanics) -> tuple[Mode, ...]:
    """Return the modes of a line by rising frequency, without the rigid ones.

    A line of n springs has n modes, fewer where one is damped so strongly that it does not oscillate.

    Parameters
    ----------
    line : Mechanics
        From `mechanics`.
    """
    values, vectors = line.poles()
    return tuple(_mode(line, complex(value), vectors[:, i]) for i, value in enumerate(values))


def _oscillating(a: Array) -> tuple[Complex, Complex]:
    """Return eigenvalues above the real axis by rising size, and their vectors."""
    values, vectors = np.linalg.eig(a)
    size = np.abs(values)
    keep = np.flatnonzero((values.imag > _OSCILLATES * size) & (size > _RIGID * size.max(initial=0.0)))
    keep = keep[np.argsort(size[keep])]
    return values[keep].astype(np.complex128), vectors[:, keep].astype(np.complex128)


def _mode(line: Mechanics, value: complex, vector: Complex) -> Mode:
    frequency, damping = abs(value) / (2.0 * np.pi), max(-value.real / abs(value), 0.0)
    angles = vector[: len(line.bodies)] / np.sqrt(line.inertias)
    # Of two that are largest but for rounding the left one counts, so that the sign is not left to chance.
    largest = np.flatnonzero(np.abs(angles) > (1.0 - 1e-9) * np.abs(angles).max())[0]
    shape = (angles / angles[largest]).real
    shape /= shape[largest]  # a complex quotient of equals is 1 but for rounding
    energy = {part: float(np.sum(np.abs(vector[rows]) ** 2)) for part, rows in line.springs.items()}
    whole = sum(energy.values())
    amplification: dict[str, float | None] = dict.fromkeys(line.machines)
    if line.sensor is not None and damping > _UNDAMPED:
        for machine in line.machines:
            response = line.torque_response(machine, np.array([frequency]))
            amplification[machine] = float(np.abs(response[0]))
    return Mode(
        frequency,
        damping if damping > _UNDAMPED else 0.0,
        dict(zip(line.bodies, shape.tolist(), strict=True)),
        {part: share / whole for part, share in energy.items()},
        amplification,
        line.tree,
    )
