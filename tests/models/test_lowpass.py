"""Low-pass filters: sections, state space against the transfer function, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from shaftloop_models.lowpass import LowPass, sections, state_space
from shaftloop_models.parameters import ParameterError

KINDS = [("first_order", 1), *[(kind, n) for kind in ("bessel", "butterworth") for n in range(2, 9)]]
low_passes = st.builds(
    lambda kind, cutoff: LowPass(kind[0], cutoff, kind[1]),
    st.sampled_from(KINDS),
    st.floats(0.0, 5.0).map(lambda x: 10.0**x),
)


def response(low_pass: LowPass, frequency: np.ndarray) -> np.ndarray:
    f, g, out = state_space(low_pass)
    s = 2j * np.pi * frequency[:, None, None]
    drive = np.broadcast_to(g[:, None], (len(frequency), len(g), 1))
    return np.linalg.solve(s * np.eye(len(g)) - f, drive)[:, out, 0]


@given(low_passes)
def test_the_gain_is_one_at_rest_and_minus_3_db_at_the_cutoff(low_pass: LowPass) -> None:
    gain = np.abs(response(low_pass, np.array([0.0, low_pass.cutoff])))
    assert gain == pytest.approx([1.0, math.sqrt(0.5)], rel=1e-9)


@given(low_passes)
def test_sections_are_sorted_by_quality_and_stable(low_pass: LowPass) -> None:
    cascade = sections(low_pass)
    qualities = [q for _, q in cascade]
    assert qualities == sorted(qualities)
    assert sum(1 if q == 0.0 else 2 for q in qualities) == low_pass.order
    assert sum(q == 0.0 for q in qualities) == low_pass.order % 2
    assert all(omega > 0.0 for omega, _ in cascade)
    assert np.all(np.linalg.eigvals(state_space(low_pass)[0]).real < 0.0)


@pytest.mark.parametrize(("kind", "order"), [pair for pair in KINDS if pair[1] > 1])
def test_the_state_space_is_the_filter_of_its_name(kind: str, order: int) -> None:
    low_pass = LowPass(kind, 900.0, order)
    if kind == "bessel":
        b, a = signal.bessel(order, 2.0 * np.pi * 900.0, analog=True, norm="mag")
    else:
        b, a = signal.butter(order, 2.0 * np.pi * 900.0, analog=True)
    frequency = np.geomspace(9.0, 9e4, 60)
    _, expected = signal.freqs(b, a, 2.0 * np.pi * frequency)
    assert response(low_pass, frequency) == pytest.approx(expected, rel=1e-8)


def test_the_reference_bessel_has_the_stated_transfer_function() -> None:
    f, g, out = state_space(LowPass("bessel", 1200.0, 2))
    omega0 = 2.0 * math.pi * 1200.0 / 1.36165412871613
    omega = math.sqrt(3.0) * omega0
    assert f == pytest.approx(np.array([[0.0, omega], [-omega, -3.0 * omega0]]), rel=1e-9)
    assert g == pytest.approx(np.array([0.0, omega]), rel=1e-9)
    assert out == 0


@pytest.mark.parametrize(("kind", "order"), KINDS)
def test_all_states_are_of_the_size_of_the_signal(kind: str, order: int) -> None:
    f, g, _ = state_space(LowPass(kind, 900.0, order))
    settled = np.linalg.solve(-f, g)
    assert set(np.round(settled, 9)) <= {0.0, 1.0}
    assert np.max(np.abs(f)) < 5.0 * 2.0 * math.pi * 900.0


def test_a_first_order_low_pass_takes_no_order() -> None:
    assert sections(LowPass("first_order", 100.0)) == [(2.0 * math.pi * 100.0, 0.0)]
    with pytest.raises(
        ParameterError, match=r"^order: 3 does not fit kind first_order; leave it out or set 1"
    ):
        sections(LowPass("first_order", 100.0, 3))


@pytest.mark.parametrize("kind", ["bessel", "butterworth"])
@pytest.mark.parametrize("order", [1, 9])
def test_an_order_outside_two_to_eight_is_refused(kind: str, order: int) -> None:
    with pytest.raises(ParameterError, match=f"^order: {order} is outside 2 to 8 for a {kind} low-pass"):
        sections(LowPass(kind, 100.0, order))
