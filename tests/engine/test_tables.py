"""Tables and the work vector: places that kernels rely on."""

import numpy as np
import pytest

from rigs import SHIPPED, coupling, describe, disc, servo, shipped, speed_loop, start, step, ticks
from shaftloop.bench.assemble import build_bench
from shaftloop.engine import at
from shaftloop.kernels.arrays import LINE
from shaftloop_models.network import ONE


@pytest.mark.parametrize("name", SHIPPED)
def test_places_in_the_work_vector_do_not_overlap(name: str) -> None:
    run = start(build_bench(shipped(name)))
    it = run.tables.it
    size = int(it[at.Z_SIZE])
    rows = int(it[at.N] + -it[at.N] % 4)
    spans = [(it[at.Z], 2 * size), (it[at.BASE], rows + size), (it[at.ZM], size), (it[at.ZC], size)]
    spans += [(it[at.CHANGE], max(it[at.Q], it[at.N])), (it[at.SAVED], it[at.N] + it[at.M])]
    spans += [(it[at.SUMS], 3), (it[at.LOCALS], 4), (it[at.ZEROS], 4)]
    spans += [(it[at.RECENT], at.BLOCK * it[at.CHANNELS])]
    owner = np.zeros(run.work.size, dtype=int)
    for first, count in spans:
        owner[first : first + count] += 1
    assert owner.max() == 1
    assert size >= run.model.plant.z(ONE) + 1


@pytest.mark.parametrize("name", SHIPPED)
def test_matrices_start_at_cache_lines(name: str) -> None:
    run = start(build_bench(shipped(name)))
    _, entries, _, blocks = run.tables.numbers
    assert entries.ctypes.data % (8 * LINE) == 0
    assert blocks[0] % LINE == 0
    assert entries.size == run.tables.it[at.GAPS] * blocks[0]


@pytest.mark.parametrize("method", ["etd4", "rk4"])
@pytest.mark.parametrize("bodies", [2, 3, 4, 5])
def test_constant_survives_the_padding_of_the_products(method: str, bodies: int) -> None:
    """Idle loss is the integral of the constant 1: 100 W over 1 ms, whatever the number of states."""
    middle = [part for i in range(bodies - 2) for part in (coupling(f"k{i}", 2e4), disc(f"b{i}", 0.01))]
    line = [servo("drive", 0.05, idle_loss="100 W"), *middle, coupling("c", 2e4), servo("load", 0.1)]
    loop, move = speed_loop("drive", 1.0, 10.0), step("speed", "100 rpm")
    bench = build_bench(describe({"duration": "1 ms", "line": line, "loop": [loop], "sequence": [move]}))
    run = start(bench, method=method)
    run.advance(ticks(run, 1e-3), exact=True)
    meters = [meter.name for meter in bench.model.plant.network.meters]
    loss = run.state[bench.model.meter_slot + meters.index("drive.conversion")]
    assert loss == pytest.approx(0.1, rel=1e-12)
