"""Words of the trade in a sentence each: said where they appear first, and listed in the documents."""

__all__ = ["GLOSSARY", "defined"]

GLOSSARY = {
    "Ms": "peak sensitivity, the largest |S| = |1/(1 + L)|: by how much a disturbance is magnified at worst",
    "Mt": "the largest |T| = |L/(1 + L)|: by how much a set-point is magnified at worst",
    "Ti": "integral (reset) time, kp/ki",
    "noise gain": "rms of the command over rms of white noise on the reading",
    "gain margin": "factor on the gain of the loop at which the bench becomes unstable",
    "phase margin": "lag at the crossover, where |L| = 1, that would make the loop unstable",
    "delay margin": "further delay that would make the loop unstable, at the reading or at the command",
    "Campbell diagram": "natural frequencies against speed, with the orders that excite them",
    "resonance crossing": "a speed at which an excitation order meets a natural frequency",
    "share of a slow torque": (
        "with torque commands held, what of a slow torque at the air gap passes the sensor; the rest "
        "accelerates what lies ahead of it"
    ),
    "true torque": "elastic torque of the measuring section of the sensor, what its strain shows",
    "reading": "what the controller receives of the true torque: filtered, sampled, rounded, late",
    "hyperperiod": "common period of all sampled tasks, after which the pattern of instants repeats",
}


def defined(*words: str) -> str:
    """Return what words mean, in one line.

    Parameters
    ----------
    *words : str
        Keys of the glossary.
    """
    return ". ".join(f"{word}: {GLOSSARY[word]}" for word in words) + "."
