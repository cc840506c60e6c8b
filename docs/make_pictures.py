"""Make the pictures of README.md: the tool's own, in few colours, so that the repository stays small.

Run from the root of the repository: ``python docs/make_pictures.py``.
"""

import tempfile
from pathlib import Path

from PIL import Image

from shaftloop.cli.main import cli

SCENARIO = "wheel-hub"
WIDTH = 1400


def main() -> None:
    """Run the scenario and write overview.png and energy.png beside this file."""
    here = Path(__file__).parent
    with tempfile.TemporaryDirectory() as folder:
        cli(["simulate", SCENARIO, "--out", folder], standalone_mode=False)
        for name in ("overview", "energy"):
            picture = Image.open(Path(folder) / f"{name}.png").convert("RGB")
            height = round(picture.height * WIDTH / picture.width)
            small = picture.resize((WIDTH, height), Image.Resampling.LANCZOS)
            small.quantize(160, dither=Image.Dither.NONE).save(here / f"{SCENARIO}-{name}.png", optimize=True)


if __name__ == "__main__":
    main()
