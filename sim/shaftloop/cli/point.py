"""Operating points on a command line."""

__all__ = ["read_torque"]


def read_torque(text: str) -> float:
    """Return the torque of ``--torque`` [N m].

    Parameters
    ----------
    text : str
        A number with a unit.

    Raises
    ------
    ScenarioError
        Where it is none.
    """
    from shaftloop.errors import ScenarioError
    from shaftloop.scenario.fields import shown
    from shaftloop.scenario.units import UnitError, read_quantity

    try:
        return float(read_quantity(text, ("N m",))[0])
    except UnitError as error:
        raise ScenarioError([f'--torque: {shown(text)}: {error}, e.g. "80 N m"']) from None
