"""What is to be minded at a bench where a result touches a person; each result names what applies to it.

Common practice, no source. None of it replaces protective devices, local codes or a licensed person.
"""

__all__ = ["CAUTIONS", "cautions"]

CAUTIONS = {
    "gains": (
        "Try new gains at low speed and low torque first, with limits set tight, the interlocks armed and "
        "nobody at the shaft."
    ),
    "injection": (
        "On a real bench begin an injection small and away from resonances, watch the true torque and the "
        "couplings, and keep the stop at hand."
    ),
    "resonance": (
        "Do not dwell at a resonance crossing: couplings and shafts fatigue there within minutes, so pass it "
        "quickly and at low torque."
    ),
    "magnets": (
        "Magnets that turn make voltage, also with the inverter off and the link discharged: wait until the "
        "line stands, lock it and measure before anyone touches it."
    ),
    "link": (
        "After a loss of the grid the link keeps its voltage, and a line that coasts can charge it: wait, "
        "measure, earth."
    ),
    "loose parts": (
        "Before the first rotation look for loose parts, tools and open guards, turn the line by hand, and "
        "keep out of the plane of rotation."
    ),
    "guards": (
        "A simulated interlock is no protective device, and what may break needs a guard that holds the "
        "pieces."
    ),
    "hot": (
        "Temperatures are means of a body, and a hot spot is hotter; housings, drives and resistors burn the "
        "hand long before they are damaged: let them cool, and measure before touching."
    ),
    "lockout": "Lock out and tag every source of energy before work at shaft, machine or link.",
    "restart": (
        "After a trip a drive may start again as soon as its cause is gone: a set-point of zero is no "
        "protection, a safe torque off that stays off is."
    ),
    "codes": "Local codes apply, and in many places the work is reserved to licensed persons.",
}


def cautions(*names: str) -> tuple[str, ...]:
    """Return what applies, with the word on local codes last; nothing where nothing applies.

    Parameters
    ----------
    *names : str
        Keys of the table.
    """
    return tuple(CAUTIONS[name] for name in (*names, "codes")) if names else ()
