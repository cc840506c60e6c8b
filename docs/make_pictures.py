"""Make the pictures of README.md: the tool's own, in few colours, so that the repository stays small.

Run from the root of the repository: ``python docs/make_pictures.py``.
"""

import tempfile
from contextlib import suppress
from pathlib import Path

import click
from PIL import Image
from playwright.sync_api import sync_playwright

from shaftloop.cli.main import cli
from shaftloop.report.page.pdf import find_browser

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
        cli(["report", SCENARIO, "--out", folder], standalone_mode=False)
        _first_screen(Path(folder))
        for name in ("overview", "energy", "gains", "report"):
            picture = Image.open(Path(folder) / f"{name}.png").convert("RGB")
            height = round(picture.height * WIDTH / picture.width)
            small = picture.resize((WIDTH, height), Image.Resampling.LANCZOS)
            small.quantize(160, dither=Image.Dither.NONE).save(here / f"{SCENARIO}-{name}.png", optimize=True)


def _first_screen(folder: Path) -> None:
    """Show the report to a browser and keep what it shows first."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=find_browser(), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1180, "height": 760}, color_scheme="light")
        page.goto((folder / "report.html").as_uri())
        page.screenshot(path=folder / "report.png")
        browser.close()


if __name__ == "__main__":
    main()
