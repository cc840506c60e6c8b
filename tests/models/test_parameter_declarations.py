"""Annotations, errors and the small value types of parameters."""

import pickle
from fractions import Fraction

from shaftloop_models.parameters import Delay, Gain, ParameterError, Quantity


def test_a_parameter_error_names_its_key_and_survives_pickling() -> None:
    error = pickle.loads(pickle.dumps(ParameterError("stiffness", "-1 N m/rad must be above 0")))
    assert str(error) == "stiffness: -1 N m/rad must be above 0"
    assert (error.key, error.message) == ("stiffness", "-1 N m/rad must be above 0")
    assert isinstance(error, ValueError)


def test_a_parameter_error_can_be_rebuilt_from_its_arguments() -> None:
    error = ParameterError("order", "9 is outside 2 to 8")
    assert str(type(error)(*error.args)) == str(error)


def test_a_delay_in_seconds_does_not_depend_on_the_period() -> None:
    assert Delay(Fraction(1, 4000)).seconds(Fraction(1, 3)) == Fraction(1, 4000)


def test_a_delay_in_samples_is_exact_at_any_rate() -> None:
    assert Delay(Fraction(3), in_samples=True).seconds(Fraction(1, 19_200)) == Fraction(3, 19_200)


def test_a_gain_keeps_the_unit_it_was_stated_in() -> None:
    assert Gain(7.0, "N m s/rad").unit == "N m s/rad"


def test_a_quantity_has_no_bounds_unless_stated() -> None:
    quantity = Quantity("N m", "torque")
    assert (quantity.gt, quantity.ge, quantity.lt, quantity.le, quantity.also) == (None, None, None, None, ())
