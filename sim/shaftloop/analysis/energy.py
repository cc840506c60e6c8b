"""The energy of a run: meters, and the balance of every element and of the whole bench."""

from dataclasses import dataclass

from shaftloop.bench.handles import Bench
from shaftloop.engine.run import Run
from shaftloop_models.network import Balance, Network

__all__ = ["ElementBalance", "Energies", "energies"]

_DOUBT = 0.2
"""Share of a loss above which a gap beside it makes it doubtful; a meter that reads 0 or twice has more."""
_ROUNDING = 1e-12
"""Share of the throughput of an element below which a gap is rounding."""
_SWITCHED = 1e-4
"""The same where diodes and choppers switch within a step: a resistor that never conducted has lost 0 J."""


@dataclass(frozen=True)
class ElementBalance:
    """Energy balance of one element over a run."""

    element: str
    incoming: float
    """[J]"""
    outgoing: float
    """[J]"""
    loss: float
    """[J]"""
    stored: float
    """Change of the stored energy. [J]"""
    throughput: float
    """Half of all energy that went in or out, either way. [J]"""

    @property
    def gap(self) -> float:
        """What does not close, negative where more goes out than came in [J]."""
        return self.incoming - self.outgoing - self.loss - self.stored

    @property
    def residual(self) -> float:
        """What does not close, relative to the throughput; 0 where nothing passed."""
        gap = abs(self.gap)
        return gap / self.throughput if self.throughput > 0.0 else gap


@dataclass(frozen=True)
class Energies:
    """All energies of a run."""

    meters: dict[str, float]
    """Energy of every meter. [J]"""
    squares: dict[int, float]
    """Integral of the square of a current by the number of its meter. [A^2 s]"""
    losses: dict[str, float]
    """The meters that are losses. [J]"""
    balances: tuple[ElementBalance, ...]
    """Balance of every element."""
    grid: float
    """Supplied by the grid; to a stiff link the sum of what the machines take from it. [J]"""
    links: dict[str, float]
    """Taken from the link by every machine, from fuel by an engine. [J]"""
    loss: float
    """Sum of the losses. [J]"""
    stored: float
    """Change of the stored energy. [J]"""
    circulated: float
    """Half the sum of what the machines exchanged with the link, either way, and took from fuel. [J]"""
    doubtful: dict[str, float]
    """Meters of losses of which the gap of their element is more than a fifth, with that gap. [J]"""
    exchanged: float = 0.0
    """What the grid gave and took, where a supply stands between it and the link. [J]"""
    heat: tuple[ElementBalance, ...] = ()
    """Balance of every body that warms up: from losses and other bodies, to others and the ambient."""
    fuel: float = 0.0
    """Work of engines. [J]"""

    @property
    def residual(self) -> float:
        """What does not close for the whole bench with its heat, relative to the circulated energy.

        Or to what the grid exchanged with the supply, where that is more: while a link is charged nothing
        circulates.
        """
        gap = abs(self.grid + self.fuel - self.loss - self.stored) + abs(sum(body.gap for body in self.heat))
        passed = max(self.circulated, self.exchanged)
        return gap / passed if passed > 0.0 else gap

    @property
    def worst(self) -> ElementBalance:
        """The element or body whose balance closes worst."""
        return max((*self.balances, *self.heat), key=lambda balance: balance.residual)


def energies(bench: Bench, run: Run) -> Energies:
    """Return the energies of a run that started from its initial state."""
    net = run.model.plant.network  # of the equations that the run ends with
    first, count = bench.model.meter_slot, len(net.meters)
    state, initial = run.state.tolist(), bench.model.layout.initial
    energy, passed = state[first : first + count], state[first + count : first + 2 * count]
    names = [meter.name for meter in net.meters]
    balances = tuple(_balance(net, balance, energy, passed, state, initial) for balance in net.balances)
    losing = sorted({meter for balance in net.balances for meter in balance.losses})
    losses = {names[meter]: energy[meter] for meter in losing}
    links = {name: energy[machine.link_meter] for name, machine in bench.machines.items()}
    circulated = 0.5 * float(sum(passed[machine.link_meter] for machine in bench.machines.values()))
    grid = bench.link.grid_meters(bench.link_meters)
    return Energies(
        meters={
            meter.name: value for meter, value in zip(net.meters, energy, strict=True) if meter.unit == "J"
        },
        squares={number: energy[number] for number, meter in enumerate(net.meters) if meter.unit != "J"},
        losses=losses,
        balances=balances,
        grid=sum(energy[meter] for meter in grid),
        fuel=sum(energy[machine.link_meter] for machine in bench.machines.values() if not machine.fed),
        links=links,
        loss=float(sum(losses.values())),
        stored=float(sum(balance.stored for balance in balances)),
        circulated=circulated,
        doubtful=_doubtful(net, balances, energy),
        exchanged=0.0 if bench.link.ports is None else float(sum(passed[meter] for meter in grid)),
        heat=_heat(run, state),
    )


def _heat(run: Run, state: list[float]) -> tuple[ElementBalance, ...]:
    """Return the balances of the bodies that warm up."""
    if run.heating is None:
        return ()
    heat, leapt = run.heating.heat, run.heating.leapt.tolist()
    warm, passed, taken = (state[heat.slice(group)] for group in range(3))
    found = []
    for body, temperature, leap, onward, loss in zip(heat.bodies, warm, leapt, passed, taken, strict=True):
        others = sum(p for b, p in zip(heat.bodies, passed, strict=True) if b.onward == body.name)
        stored = body.capacity * (temperature - leap - body.start)
        through = 0.5 * (abs(loss) + abs(others) + abs(onward))
        found.append(ElementBalance(body.name, loss + others, onward, 0.0, stored, through))
    return tuple(found)


def _doubtful(net: Network, found: tuple[ElementBalance, ...], energy: list[float]) -> dict[str, float]:
    """Return the loss meters that the gap of their element puts in doubt, with the gap [J].

    A loss may be a billionth of what passes its element, so the gap is held against the loss. What an element
    and a neighbour without losses lack together is free of the error of the meter between them.
    """
    counted = {power.meter for power in net.powers if power.coefficient}
    pairs = list(zip(net.balances, found, strict=True))
    doubtful = {}
    for balance, own in pairs:
        gaps = [own.gap] + [
            own.gap + beside.gap
            for other, beside in pairs
            if not other.losses
            and (set(other.incoming) & set(balance.outgoing) or set(other.outgoing) & set(balance.incoming))
        ]
        gap = min(map(abs, gaps))
        rounding = (_SWITCHED if balance.switched else _ROUNDING) * own.throughput
        for meter in counted & set(balance.losses):
            if gap > max(_DOUBT * abs(energy[meter]), rounding):
                doubtful[net.meters[meter].name] = gap
    return doubtful


def _balance(
    net: Network,
    balance: Balance,
    energy: list[float],
    passed: list[float],
    state: list[float],
    initial: list[float],
) -> ElementBalance:
    after, before = net.stored(balance, state), net.stored(balance, initial)
    through = 0.5 * float(sum(passed[meter] for meter in (*balance.incoming, *balance.outgoing)))
    return ElementBalance(
        balance.element,
        float(sum(energy[meter] for meter in balance.incoming)),
        float(sum(energy[meter] for meter in balance.outgoing)),
        float(sum(energy[meter] for meter in balance.losses)),
        float(after - before),
        through,
    )
