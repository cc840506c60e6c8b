"""Hand-over to python-control: an opened loop as discrete `StateSpace` objects.

Where the loop ticks once per hyperperiod the objects are scalar and their time step is the period of the
loop; otherwise they are lifted: one input and one output per tick of the loop, with the hyperperiod as
time step. L is taken for negative feedback, so ``control.feedback(opened)`` closes the loop.
"""

from typing import TYPE_CHECKING

import numpy as np

from shaftloop.analysis.openloop import OpenLoop

if TYPE_CHECKING:
    import control

__all__ = ["closed_state_space", "opened_state_space"]


def opened_state_space(system: OpenLoop) -> "control.StateSpace":
    """Return the open-loop response L, from the command passed on to minus the command asked for.

    Parameters
    ----------
    system : OpenLoop
        From `HyperMap.open`.
    """
    import control

    return control.StateSpace(system.a, system.b, -system.c, -system.d, system.hyperperiod)


def closed_state_space(system: OpenLoop) -> "control.StateSpace":
    """Return the closed loop T = L/(1 + L), from a torque added to the command to minus what answers it.

    Parameters
    ----------
    system : OpenLoop
        From `HyperMap.open`.
    """
    import control

    inner = np.linalg.inv(np.eye(len(system.d)) - system.d)
    b = system.b @ inner
    return control.StateSpace(
        system.a + b @ system.c, b, -inner @ system.c, -inner @ system.d, system.hyperperiod
    )
