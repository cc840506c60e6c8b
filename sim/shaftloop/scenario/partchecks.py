"""Checks that a part makes when it is used, made when it is read."""

from typing import Any

from shaftloop_models.encoder import Encoder
from shaftloop_models.lowpass import LowPass, sections
from shaftloop_models.network import ONE, Network
from shaftloop_models.torque_sensor import TorqueSensor, declare_signal_path

__all__ = ["check_part"]


def check_part(part: Any) -> None:
    """Run every check that the model of a part makes.

    Parameters
    ----------
    part : object
        Instance of a parameter dataclass.

    Raises
    ------
    ParameterError
        Naming the key at fault.
    """
    if hasattr(part, "elements"):
        part.elements()
    if isinstance(part, LowPass):
        sections(part)
    if isinstance(part, TorqueSensor):
        part.quantiser_step()
        part.averaged_samples()
        if part.filter is None:
            declare_signal_path(Network(), part, ONE)
    if isinstance(part, Encoder):
        part.clock_rate()
