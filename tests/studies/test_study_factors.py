"""Factors: quantiles against closed forms and the general library, and what the scenario is told."""

import math
from fractions import Fraction
from statistics import NormalDist

import pytest
from scipy import stats

from shaftloop.scenario.units import Stated, UnitError
from shaftloop.studies.whatif.factors import FactorSpread, listed, spread
from shaftloop.studies.whatif.form import Factor

SHARES = (0.0, 0.03, 0.25, 0.5, 0.9, 1.0)


def stated(value: float | str, unit: str = "") -> Stated:
    return Stated(Fraction(str(value)), unit)


def scattered(kind: str, nominal: Stated | None = None, **keys: Stated | None) -> FactorSpread:
    return spread(Factor("p", distribution=kind, nominal=nominal, **keys), nominal)  # type: ignore[arg-type]


def test_a_range_is_linear_or_logarithmic_and_holds_its_ends() -> None:
    linear = spread(Factor("p", low=stated(1, "ms"), high=stated("0.005", "s"), count=5), None)
    assert (linear.unit, linear.levels()) == ("ms", (1.0, 2.0, 3.0, 4.0, 5.0))
    log = spread(Factor("p", low=stated(1), high=stated(100), count=3, scale="log"), None)
    assert log.levels() == pytest.approx((1.0, 10.0, 100.0)) and log.at(1.0) == 100.0
    assert log.setting(0.5) == "p=0.5" and linear.setting(2.5) == "p=2.5 ms"


@pytest.mark.parametrize("share", SHARES)
def test_quantiles_agree_with_the_general_library(share: float) -> None:
    uniform = scattered("uniform", stated(10, "mm"), spread=stated(20, "%"))
    assert uniform.at(share) == pytest.approx(stats.uniform(8.0, 4.0).ppf(share))
    triangular = scattered("triangular", stated(3), low=stated(2), high=stated(8))
    assert triangular.at(share) == pytest.approx(stats.triang(1 / 6, 2.0, 6.0).ppf(share))
    cut = scattered("normal", stated(5), spread=stated(1), low=stated(4), high=stated(7))
    assert cut.at(share) == pytest.approx(stats.truncnorm(-1.0, 2.0, 5.0).ppf(share))
    if 0.0 < share < 1.0:
        assert scattered("normal", stated(5), spread=stated(2)).at(share) == pytest.approx(
            NormalDist(5.0, 2.0).inv_cdf(share)
        )
        lognormal = scattered("lognormal", stated(50, "N m"), spread=stated(30, "%"))
        assert lognormal.at(share) == pytest.approx(stats.lognorm(0.3, scale=50.0).ppf(share))


def test_a_normal_distribution_without_ends_stays_finite() -> None:
    bell = scattered("normal", stated(0), spread=stated(1))
    assert all(math.isfinite(bell.at(share)) for share in SHARES)
    assert bell.at(0.0) == pytest.approx(-bell.at(1.0), rel=1e-3)
    high = scattered("lognormal", stated(1), spread=stated(1), low=stated("0.5"), high=stated(2))
    assert (high.at(0.0), high.at(1.0)) == pytest.approx((0.5, 2.0), rel=1e-14)


def test_the_levels_of_a_distribution_are_equally_likely() -> None:
    bell = spread(Factor("p", distribution="normal", spread=stated(1), count=4), stated(0))
    assert bell.levels() == pytest.approx([NormalDist().inv_cdf(p) for p in (0.125, 0.375, 0.625, 0.875)])


def test_a_spread_in_percent_is_relative_and_any_other_absolute() -> None:
    assert scattered("normal", stated(-40, "mm"), spread=stated(5, "%")).width == pytest.approx(2.0)
    assert scattered("normal", stated(40, "mm"), spread=stated(1, "cm")).width == pytest.approx(10.0)
    assert scattered("uniform", stated("0.5", "%"), spread=stated(20, "%")).high == pytest.approx(0.6)


def test_listed_values_keep_their_text_and_share_a_unit() -> None:
    factor = listed(Factor("p", values=("10 ms", "0.02 s")))
    assert (factor.unit, factor.choices) == ("ms", (10.0, 20.0))
    assert factor.setting(20.0) == 'p="0.02 s"' and factor.levels() == (10.0, 20.0)
    assert [factor.at(share) for share in (0.0, 0.49, 0.5, 1.0)] == [10.0, 10.0, 20.0, 20.0]
    assert listed(Factor("p", values=(12, 16))).setting(16.0) == "p=16"


@pytest.mark.parametrize(
    "values", [("bessel", "butterworth"), (True, False), ("1 ms", "2 N m"), ("1 ms", 2), ("1 ms", "0.001 s")]
)
def test_values_that_are_no_numbers_of_one_dimension_stay_texts(values: tuple[str | bool | int, ...]) -> None:
    factor = listed(Factor("p", values=values))
    assert factor.unit == "" and all(isinstance(choice, str) for choice in factor.choices)
    assert factor.setting(factor.choices[1]) == f"p={factor.texts[1]}"


def test_parts_set_the_file_of_an_element() -> None:
    factor = listed(Factor("line.c1", parts=("parts/a.toml", "parts/b.toml")))
    assert factor.setting(factor.at(0.9)) == 'line.c1.from="parts/b.toml"'


@pytest.mark.parametrize(
    ("factor", "nominal", "message"),
    [
        (Factor("p", low=stated(2), high=stated(1)), None, "low must be below high, not 2 and 1"),
        (
            Factor("p", low=stated(0, "s"), high=stated(1, "s"), scale="log"),
            None,
            "log scale needs a low above 0",
        ),
        (Factor("p", low=stated(0, "s"), high=stated(1, "m")), None, "the unit m does not fit"),
        (
            Factor("p", distribution="normal", spread=stated(1)),
            None,
            "there is no nominal one; state nominal",
        ),
        (Factor("p", distribution="normal", spread=stated(0)), stated(1), "a spread must be above 0, not 0"),
        (Factor("p", distribution="normal", spread=stated(5, "%")), stated(0), "of a nominal value of 0"),
        (Factor("p", distribution="lognormal", spread=stated(5, "%")), stated(-1), "a nominal value above 0"),
        (
            Factor("p", distribution="triangular", low=stated(1), high=stated(2), nominal=stated(3)),
            stated(3),
            "the nominal value 3 lies outside low and high",
        ),
        (
            Factor("p", distribution="normal", low=stated(2), high=stated(1), spread=stated(1)),
            stated(1),
            "low must be below high, not 2 and 1",
        ),
    ],
)
def test_numbers_that_do_not_go_together_are_refused(
    factor: Factor, nominal: Stated | None, message: str
) -> None:
    with pytest.raises(UnitError) as caught:
        spread(factor, nominal)
    assert message in str(caught.value)
