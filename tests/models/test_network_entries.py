"""The collector of equations, and the plain-Python evaluator that the other tests stand on."""

import math
from types import SimpleNamespace

import pytest
from evaluate import balance_residuals, evaluate

from shaftloop_models.network import ONE, Network, Node, PowerKind, Ref, TermKind

STIFFNESS, DAMPING = 2.0e4, 3.0
BRANCH, TIME_CONSTANT = 4.0e3, 2e-3
INERTIAS = (0.05, 0.1)
STATE = (10.0, -4.0, 0.02, 37.0)


def two_masses(damping_meter: float = DAMPING) -> Network:
    """Two bodies with a damped spring and one Maxwell branch between."""
    net = Network()
    left, right = (Node(n, j, net.state(n, "rad/s")) for n, j in zip("ab", INERTIAS, strict=True))
    twist, force = net.state("twist", "rad"), net.state("force", "N m")
    slip = net.signal("slip", {left.speed: 1.0, right.speed: -1.0})
    torque = net.signal("torque", {twist: STIFFNESS, force: 1.0, left.speed: DAMPING, right.speed: -DAMPING})
    net.derivative(twist, slip, 1.0)
    net.derivative(force, slip, BRANCH)
    net.derivative(force, force, -1.0 / TIME_CONSTANT)
    net.torque(left, torque, -1.0)
    net.torque(right, torque)
    incoming = net.meter("in", "", [(1.0, torque, left.speed)])
    outgoing = net.meter("out", "", [(1.0, torque, right.speed)])
    losses = [(damping_meter, slip, slip), (1.0 / (BRANCH * TIME_CONSTANT), force, force)]
    loss = net.meter("loss", "", losses)
    net.balance(
        "spring",
        [incoming],
        [outgoing],
        [loss],
        [(0.5 * STIFFNESS, twist, twist), (0.5 / BRANCH, force, force)],
    )
    return net


def test_handles_count_up_by_kind() -> None:
    net = Network()
    assert net.state("x", "rad") == Ref("state", 0)
    assert net.held("u", "V") == Ref("held", 0)
    assert net.state("y", "rad/s") == Ref("state", 1)
    assert net.signal("s", {Ref("state", 1): 2.0}) == Ref("signal", 0)
    assert net.term(TermKind.DQ_COUPLING, [Ref("state", 0)], [1.0], ["a", "b"], slope=5.0) == (
        Ref("output", 0),
        Ref("output", 1),
    )
    assert net.term(TermKind.WINDAGE, [Ref("state", 0)], [1.0], ["c"], slope=0.0) == (Ref("output", 2),)
    assert net.outputs == ["a", "b", "c"]
    assert net.terms[0].slope == 5.0


def test_handles_are_hashable_and_frozen() -> None:
    assert {Ref("state", 1): 2.0}[Ref("state", 1)] == 2.0
    with pytest.raises(AttributeError, match="cannot assign to field 'index'"):
        Ref("state", 1).index = 2  # type: ignore[misc]


def test_a_signal_is_expanded_into_its_states() -> None:
    net = Network()
    x, y = net.state("x", "rad"), net.state("y", "rad")
    net.derivative(y, net.signal("s", {x: 2.0, y: -3.0}), 5.0)
    net.derivative(x, net.held("u", "V"), 7.0)
    assert net.linear == [(1, x, 10.0), (1, y, -15.0), (0, Ref("held", 0), 7.0)]


def test_a_torque_is_divided_by_the_inertia() -> None:
    net = Network()
    node = Node("rotor", 0.25, net.state("speed", "rad/s"))
    net.torque(node, net.held("u", "N m"), 3.0)
    assert evaluate(net, [0.0], [2.0]).derivative == [24.0]


def test_meters_are_numbered_and_hold_their_powers() -> None:
    net = Network()
    x = net.state("x", "rad/s")
    assert net.meter("first", "nothing yet") == 0
    assert net.meter("second", "a product", [(2.0, x, x)]) == 1
    net.power(0, PowerKind.AMPLITUDE, 0.5, x, ONE)
    assert evaluate(net, [3.0]).powers == [0.5 * math.sqrt(10.0), 18.0]


def test_derivatives_of_two_masses_follow_newton() -> None:
    at = evaluate(two_masses(), STATE)
    left, right, twist, force = STATE
    torque = STIFFNESS * twist + force + DAMPING * (left - right)
    expected = [
        -torque / INERTIAS[0],
        torque / INERTIAS[1],
        left - right,
        BRANCH * (left - right) - force / TIME_CONSTANT,
    ]
    assert at.derivative == pytest.approx(expected, rel=1e-14)


def test_the_balance_of_a_damped_spring_closes() -> None:
    (residual,) = balance_residuals(two_masses(), STATE)
    assert residual.relative() <= 1e-12


def test_a_forgotten_damping_loss_shows() -> None:
    (residual,) = balance_residuals(two_masses(damping_meter=0.0), STATE)
    assert residual.error == pytest.approx(DAMPING * (STATE[0] - STATE[1]) ** 2, rel=1e-12)


def test_the_evaluator_refuses_a_state_of_the_wrong_size() -> None:
    with pytest.raises(ValueError, match="the network has 4 states and 0 held inputs"):
        evaluate(two_masses(), STATE[:3])


def test_stored_energy_may_be_made_of_signals_and_the_constant_but_not_of_inputs() -> None:
    net = Network()
    x = net.state("x", "rad/s")
    force = net.held("u", "N m")
    net.derivative(x, force, 2.0)
    double = net.signal("double", {x: 2.0})
    meter = net.meter("in", "", [(4.0, x, force), (6.0, force, ONE)])
    net.balance("signal", [meter], [], [], [(0.25, double, double), (3.0, x, ONE)])
    assert balance_residuals(net, [5.0], [7.0])[0].error == pytest.approx(0.0, abs=1e-12)
    net.balance("input", [], [], [], [(1.0, force, x)])
    with pytest.raises(ValueError, match="not of a quantity of kind held"):
        balance_residuals(net, [5.0], [7.0])


def test_the_evaluator_refuses_a_kind_of_term_it_does_not_know() -> None:
    net = Network()
    net.term(SimpleNamespace(), [net.state("x", "1")], [], ["y"], slope=0.0)  # type: ignore[arg-type]
    with pytest.raises(NotImplementedError, match="no plain-Python equation"):
        evaluate(net, [1.0])
