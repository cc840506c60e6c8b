"""The error tree."""

import pickle

import pytest

from shaftloop import errors
from shaftloop.errors import BenchError, ScenarioError, ShaftloopError, SimulationError


def test_exit_codes_are_those_of_the_contract() -> None:
    assert (ShaftloopError.exit_code, ScenarioError.exit_code, SimulationError.exit_code) == (1, 2, 3)
    assert issubclass(ScenarioError, ShaftloopError) and issubclass(SimulationError, ShaftloopError)
    assert errors.__all__ == sorted(errors.__all__)


@pytest.mark.parametrize(
    "error",
    [
        ScenarioError(["a:1: x: wrong", "a:2: y: wrong"]),
        BenchError(("line", 2, "rated"), "too low"),
        SimulationError("diverged at 0.3 s", "lower kp"),
    ],
)
def test_survives_being_rebuilt_from_its_arguments(error: ShaftloopError) -> None:
    for again in (type(error)(*error.args), pickle.loads(pickle.dumps(error))):
        assert str(again) == str(error)
        assert vars(again) == vars(error)


def test_text_holds_all_there_is() -> None:
    assert str(ScenarioError(["one", "two"])) == "one\ntwo"
    assert str(SimulationError("diverged", "lower kp")) == "diverged\nlower kp"
    assert str(SimulationError("diverged")) == "diverged"
