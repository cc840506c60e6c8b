"""A page as PDF, by a browser that is there: Chromium without a window, from an empty profile."""

import os
import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

from shaftloop.report.files import OutputError, open_atomically

__all__ = ["find_browser", "write_pdf"]

_NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
_QUIET = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
_LONGEST = 120.0
"""Time for the browser. [s]"""


def find_browser() -> str:
    """Return the path of Chromium.

    Raises
    ------
    OutputError
        Where there is none.
    """
    for name in _NAMES:
        found = shutil.which(name)
        if found:
            return found
    raise OutputError(
        "report.pdf: a PDF is printed by Chromium, which is not in PATH; install it, or take `formats` html "
        "and print that page from any browser"
    )


def write_pdf(path: Path, page: str) -> None:
    """Print a page into a PDF file.

    Parameters
    ----------
    page : str
        The page.

    Raises
    ------
    OutputError
        Where there is no browser, or it fails.
    """
    browser = find_browser()
    # Chromium refuses to start its sandbox for root; the page is our own and can fetch nothing.
    alone = ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()
    with TemporaryDirectory(prefix="shaftloop-") as folder:
        source, printed = Path(folder) / "page.html", Path(folder) / "page.pdf"
        source.write_text(page, encoding="utf-8")
        command = [browser, *_QUIET, *alone, f"--user-data-dir={folder}/profile", f"--print-to-pdf={printed}"]
        try:
            subprocess.run(
                [*command, source.as_uri()],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=_LONGEST,
                check=False,
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise OutputError(f"{path}: {browser} could not print it: {error}") from None
        if not printed.is_file():
            raise OutputError(f"{path}: {browser} printed nothing; take `formats` html and print that page")
        with open_atomically(path) as file:
            file.write(printed.read_bytes())
