"""Checks of what is built around the PI controller of a loop: derivative, damping, observer, predictor."""

from shaftloop.control.parameters import ActiveDamping, Loop, PathModel
from shaftloop.scenario.draft import Draft, Entry
from shaftloop.scenario.fields import shown
from shaftloop.scenario.problems import Problems
from shaftloop.scenario.references import carried, check_reference, showing, signal_kind
from shaftloop_models.tree import Tree

__all__ = ["MOST_SAMPLES", "check_structure"]

MOST_SAMPLES = 50
"""Longest delay of a path model, in samples of its loop."""

_KEYS = (
    *("kd", "derivative_cutoff", "derivative_of", "setpoint_filter"),
    *("active_damping", "disturbance_observer", "predictor"),
)
_MODEL_UNITS = {"torque": "1", "speed": "rad/(N m s)"}


def check_structure(draft: Draft, entry: Entry, kind: str, problems: Problems) -> None:
    """Add what is wrong with the structure of a sound loop, ``torque`` or ``speed``, empty if unknown."""
    loop: Loop = entry.value
    if loop.limiter_of is not None:
        for key in _KEYS:
            if key in entry.raw:
                problems.error(entry.at(key), "a limiter is a plain PI controller; leave it out")
        return
    if loop.kd.value > 0.0 and loop.derivative_cutoff is None:
        problems.error(
            entry.at("kd"), 'a derivative needs its low-pass; add e.g. derivative_cutoff = "300 Hz"'
        )
    _check_cutoffs(entry, loop, problems)
    for key, model in (("disturbance_observer", loop.disturbance_observer), ("predictor", loop.predictor)):
        if model is not None:
            _check_model(entry, key, model, kind, problems)
    if loop.active_damping is not None:
        _check_damping(draft, entry, loop.active_damping, problems)


def _check_cutoffs(entry: Entry, loop: Loop, problems: Problems) -> None:
    """Check that every cutoff lies below half the rate of the loop."""
    half = float(loop.rate) / 2.0
    damping, observer = loop.active_damping, loop.disturbance_observer
    for path, cutoff in (
        (entry.at("derivative_cutoff"), loop.derivative_cutoff),
        (entry.at("setpoint_filter"), loop.setpoint_filter),
        ((*entry.at("active_damping"), "cutoff"), damping.cutoff if damping else None),
        ((*entry.at("disturbance_observer"), "cutoff"), observer.cutoff if observer else None),
    ):
        if cutoff is not None and cutoff >= half:
            problems.error(path, f"{cutoff:g} Hz must be below half the rate of the loop ({half:g} Hz)")


def _check_model(entry: Entry, key: str, model: PathModel, kind: str, problems: Problems) -> None:
    """Check the unit of the gain and the length of the delay of a path model."""
    path = entry.at(key)
    wanted = _MODEL_UNITS.get(kind, model.model_gain.unit)
    if model.model_gain.unit != wanted:
        written = "a bare number" if wanted == "1" else f"in {wanted}"
        problems.error(
            (*path, "model_gain"),
            f"{shown(entry.raw[key]['model_gain'])}: model_gain of a loop that controls a {kind} must be "
            f"{written}",
        )
    period = 1 / entry.value.rate
    samples = model.delay.seconds(period) / period
    if samples > MOST_SAMPLES:
        problems.error(
            (*path, "delay"),
            f"{float(samples):.6g} samples of the loop; allowed: at most {MOST_SAMPLES}; shorten it to "
            f"{float(MOST_SAMPLES * period * 1000):g} ms, or lower the rate",
        )


def _check_damping(draft: Draft, entry: Entry, damping: ActiveDamping, problems: Problems) -> None:
    """Check the two speeds of an active damping, and where they stand on the line."""
    path = entry.at("active_damping")
    ends = {"left": damping.left, "right": damping.right}
    for key, name in ends.items():
        if not check_reference(draft, problems, (*path, key), name, *showing("speed"), "hop"):
            return
        behind = carried(draft, name)[-1]
        if signal_kind(draft, name) != "speed":
            if draft.role(behind) not in ("", "part"):
                problems.error((*path, key), f"{name} carries {behind}, which is no speed")
            return
    layout = draft.layout
    if layout is None:
        return
    bodies, tree, places = layout
    wanted = (*(carried(draft, name)[-1] for name in ends.values()), entry.value.acts_on)
    if any(name not in places for name in wanted):
        return
    left, right, machine = (places[name].body for name in wanted)
    if left == right:
        problems.error(
            (*path, "right"),
            f"{damping.left} and {damping.right} turn together: no spring between them; name two places "
            "between which the line twists",
        )
    elif right in tree.line_of(left):
        problems.error((*path, "left"), f"{damping.left} is right of {damping.right}; swap left and right")
    elif left not in tree.line_of(right):
        problems.error(
            (*path, "right"),
            f"{damping.left} and {damping.right} are on two branches; name two places one behind the other",
        )
    elif bodies[left].shaft != bodies[right].shaft:
        problems.error(
            path,
            f"speeds of {damping.left} and {damping.right} cannot be compared: a gear, differential or belt "
            "with creep stands between them",
        )
    elif _comes_between(tree, machine, left, right):
        problems.error(
            path,
            f"{entry.value.acts_on} sits between {damping.left} and {damping.right}; both speeds must lie on "
            "one side of the machine, or at it",
        )


def _comes_between(tree: Tree, machine: int, left: int, right: int) -> bool:
    """Return whether the way from a body to two others, one behind the other, ends between these."""
    meet = next(body for body in tree.line_of(machine) if body in tree.line_of(right))
    return meet not in (right, *tree.line_of(left))
