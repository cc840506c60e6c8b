"""At least a thousand broken scenarios: each is read or refused with a message, nothing else happens."""

import random
from pathlib import Path

import pytest

from mutations import PIECES, broken
from shaftloop.errors import ScenarioError
from shaftloop.scenario.reading import read_scenario
from shaftloop.scenario.shipped import shipped_folder, shipped_names

COUNT = 1200


def _message_is_located(message: str, path: Path) -> bool:
    """Tell whether a message starts with a file, and is one printable line."""
    starts = (str(path), str(shipped_folder()), "scenarios/parts/", "parts/")
    return message.startswith(starts) and message.isprintable() and len(message) < 2000


@pytest.mark.parametrize("part", range(4))
def test_a_broken_scenario_is_read_or_refused(part: int, tmp_path: Path) -> None:
    path = tmp_path / "mutant.toml"
    texts = [(shipped_folder() / f"{name}.toml").read_text(encoding="utf-8") for name in shipped_names()]
    refused = 0
    for seed in range(part * COUNT // 4, (part + 1) * COUNT // 4):
        rng = random.Random(seed)
        text = rng.choice(texts)
        path.write_bytes(broken(text, rng))
        try:
            read_scenario(path)
        except ScenarioError as error:
            refused += 1
            assert error.messages, seed
            for message in error.messages:
                assert _message_is_located(message, path), (seed, message)
    assert 0.5 * COUNT / 4 < refused < COUNT / 4


@pytest.mark.parametrize("seed", range(100))
def test_a_broken_setting_is_applied_or_refused(seed: int) -> None:
    rng = random.Random(seed)
    where = ".".join(
        rng.choice(("loop", "line", "torque", "ts", "0", "kp", "filter", "x", "", "supply")) for _ in range(3)
    )
    try:
        read_scenario("reference-bench", [f"{where}{rng.choice(('=', '', '=='))}{rng.choice(PIECES)}"])
    except ScenarioError as error:
        assert error.messages
        assert all(message.isprintable() for message in error.messages)
