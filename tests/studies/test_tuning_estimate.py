"""A tuning that takes too long is refused before it is paid, in words; no ordinary bench is."""

from pathlib import Path

import pytest

from randombench import random_bench
from shaftloop.errors import CostError
from shaftloop.scenario.description import Description
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.shipped import shipped_names
from shaftloop.studies.tuning.choosing import TuningDemand
from shaftloop.studies.tuning.estimate import check_tuning
from shaftloop.studies.tuning.structures import STRUCTURES
from shaftloop.studies.tuning.tolerance import Corner
from shaftloop.studies.tuning.tune import tune

CASES = Path(__file__).parents[3] / "shared" / "cases"
KEPT = ("kept",)


def drawn(tmp_path: Path, seed: int, *settings: str) -> Description:
    """Return a bench drawn at random."""
    path = tmp_path / "bench.toml"
    path.write_text(random_bench(seed, 0.01), encoding="utf-8")
    return read_scenario(path, settings).description


def both(found: Description) -> list[str]:
    return [loop.name for loop in found.loop if loop.limiter_of is None]


def test_a_loop_that_ticks_too_often_for_the_memory_is_refused_before_it_is_tuned(tmp_path: Path) -> None:
    """A minute and 3.6 GB were paid for this one."""
    found = drawn(tmp_path, 10, "loop.torque.rate=160.5 kHz")
    with pytest.raises(CostError, match=r"^tuning loop torque takes 3\.64 GB of memory; allowed") as caught:
        tune([Corner("nominal", found)], TuningDemand(("torque",)))
    assert caught.value.advice.startswith("loop torque ticks 321 times in a common period of 2 ms: choose")


@pytest.mark.parametrize(
    ("settings", "corners", "structures", "driver"),
    [
        (("loop.torque.rate=121 kHz",), 1, KEPT, "loop torque ticks 121 times in a common"),
        ((), 1, tuple(STRUCTURES), "11 `structures` are compared: name fewer"),
        (("loop.torque.output_latency=0.05 s",), 1, KEPT, "delay lines and bodies make the states: shorten"),
        ((), 16, KEPT, "16 corners and phases of clocks are kept at once: state fewer `tolerances`"),
        (("line.load.max_speed=1e9 rad/s",), 1, KEPT, "load.coupling_d makes steps of"),
    ],
)
def test_what_drives_the_time_is_said(
    tmp_path: Path, settings: tuple[str, ...], corners: int, structures: tuple[str, ...], driver: str
) -> None:
    found = drawn(tmp_path, 10 if "rate" in "".join(settings) else 7, *settings)
    with pytest.raises(CostError, match=r"^tuning .* frequencies takes about .*; allowed: 20 s") as caught:
        check_tuning(corners * [found], both(found), structures)
    assert caught.value.advice.startswith(driver) and "`patience`" in caught.value.advice


def test_judgements_are_what_the_patience_leaves(tmp_path: Path) -> None:
    short, long = (
        read_scenario("wheel-hub", settings).description for settings in ((), ("duration=1000 s",))
    )
    assert check_tuning([short], ("torque",), KEPT) > 20 > check_tuning([long], ("torque",), KEPT) >= 0


@pytest.mark.parametrize("name", shipped_names())
def test_no_shipped_bench_is_refused(name: str) -> None:
    found = read_scenario(name).description
    check_tuning([found], both(found), KEPT)
    # The loops of one tick 80 times in a common period, because of its bus: too often for every structure.
    for loop in both(found) if name != "cardan-pump" else ():
        check_tuning([found], (loop,), tuple(STRUCTURES))


@pytest.mark.parametrize("seed", range(60))
def test_no_random_bench_is_refused(tmp_path: Path, seed: int) -> None:
    found = drawn(tmp_path, seed)
    check_tuning([found], both(found), KEPT)


@pytest.mark.skipif(not CASES.is_dir(), reason="the cases lie beside the project")
def test_no_case_is_refused() -> None:
    for path in sorted(CASES.glob("*.toml")):
        found = read_scenario(path).description
        check_tuning([found], both(found), KEPT)
