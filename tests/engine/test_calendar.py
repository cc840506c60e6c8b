"""Integer time: the tick, and the table of instants against a brute-force scan."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shaftloop.engine.calendar import Clock, Instants, Timing, instants
from shaftloop.errors import SimulationError


@pytest.mark.parametrize(
    ("rates", "ticks_per_second"),
    [
        ((4000, 8000, 10_000), 10**9),
        ((3000,), 3 * 10**9),
        ((6000, 12_000), 3 * 10**9),
        ((19_200,), 3 * 10**9),
    ],
)
def test_tick_of_ordinary_rates(rates: tuple[int, ...], ticks_per_second: int) -> None:
    clock = Clock.common(Fraction(1, rate) for rate in rates)
    assert clock.ticks_per_second == ticks_per_second
    for rate in rates:
        assert clock.ticks(Fraction(1, rate)) * rate == ticks_per_second


def test_tick_is_1_ns_where_all_is_whole() -> None:
    assert Clock.common([]) == Clock(10**9)
    assert Clock.common([Fraction(1, 8000), Fraction(7, 10**9)]) == Clock(10**9)


def test_tick_of_mixed_times_divides_all() -> None:
    times = [Fraction(1, 3000), Fraction(1, 7000), Fraction(13, 10**10)]
    clock = Clock.common(times)
    assert clock.ticks_per_second == 210 * 10**9
    assert [clock.ticks(time) for time in times] == [70_000_000, 30_000_000, 273]


def test_tick_finer_than_1_ps_is_refused() -> None:
    assert Clock.common([Fraction(1, 10**12)]).ticks_per_second == 10**12
    with pytest.raises(
        SimulationError, match=r"0\.00970873786\d* s makes the common tick finer than 1 ps"
    ) as caught:
        Clock.common([Fraction(1, 101), Fraction(1, 103)])
    assert "common period" in caught.value.advice and caught.value.exit_code == 3


def test_time_that_is_no_whole_number_of_ticks_is_refused() -> None:
    with pytest.raises(SimulationError, match=r"0\.000333333333333 s is no whole number of ticks"):
        Clock(10**9).ticks(Fraction(1, 3000))


def test_rounding_up_and_seconds() -> None:
    clock = Clock(10**9)
    assert clock.ticks_up(Fraction(1, 3 * 10**9)) == 1
    assert clock.ticks_up(Fraction(5, 10**9)) == 5
    assert clock.seconds(1_500_000_000) == 1.5


def brute_force(tasks: list[Timing], until: int) -> list[tuple[int, tuple[int, ...]]]:
    """Look at every tick."""
    found = []
    for tick in range(until):
        due = [i for i, t in enumerate(tasks) if tick % t.period == t.phase % t.period]
        if due or tick == 0:
            found.append((tick, tuple(sorted(due, key=lambda i: (tasks[i].priority, i)))))
    return found


@given(
    st.lists(
        st.tuples(st.sampled_from((2, 3, 4, 6, 8, 12)), st.integers(0, 30), st.integers(0, 3)),
        min_size=1,
        max_size=6,
    )
)
def test_instants_equal_a_scan_of_every_tick(rows: list[tuple[int, int, int]]) -> None:
    tasks = [Timing(*row) for row in rows]
    table = instants(tuple(tasks), 10**9)
    assert list(zip(table.ticks, table.due, strict=True)) == brute_force(tasks, table.hyperperiod)
    assert sum(table.gaps()) == table.hyperperiod
    assert all(table.hyperperiod % task.period == 0 for task in tasks)


def test_order_is_priority_then_place_in_the_list() -> None:
    tasks = [Timing(4, 0, 3), Timing(2, 0, 1), Timing(4, 0, 1), Timing(4, 2, 0)]
    assert instants(tuple(tasks), 10**9) == Instants(4, (0, 2), ((1, 2, 0), (3, 1)))


def test_first_instant_is_0_even_where_nothing_is_due() -> None:
    table = instants((Timing(10, 3, 0),), 10**9)
    assert (table.ticks, table.due, table.gaps()) == ((0, 3), ((), (0,)), (3, 7))


def test_pattern_that_never_repeats_is_refused() -> None:
    with pytest.raises(SimulationError, match=r"repeats only after 0\.2 s \(200001 task runs\)") as caught:
        instants((Timing(100_000_000, 0, 0), Timing(500, 1, 0)), 5 * 10**8)
    assert "shorter common period" in caught.value.advice
