"""Make the pictures of README.md: the tool's own, in few colours, so that the repository stays small.

Run from the root of the repository: ``python docs/make_pictures.py``.
"""

import tempfile
from contextlib import suppress
from pathlib import Path

import click
from PIL import Image

from shaftloop.cli.main import cli

SCENARIO = "wheel-hub"
WIDTH = 1400


def main() -> None:
    """Run the scenario and write its pictures beside this file."""
    here = Path(__file__).parent
    with tempfile.TemporaryDirectory() as folder:
        cli(["simulate", SCENARIO, "--out", folder], standalone_mode=False)
        check = ["check", SCENARIO, "--gains", str(here / "faster-gains.toml")]
        with suppress(click.exceptions.Exit):  # the gains fail the check, that is what the picture shows
            cli([*check, "--picture", f"{folder}/gains.png"], standalone_mode=False)
        for name in ("overview", "energy", "gains"):
            picture = Image.open(Path(folder) / f"{name}.png").convert("RGB")
            height = round(picture.height * WIDTH / picture.width)
            small = picture.resize((WIDTH, height), Image.Resampling.LANCZOS)
            small.quantize(160, dither=Image.Dither.NONE).save(here / f"{SCENARIO}-{name}.png", optimize=True)


if __name__ == "__main__":
    main()
