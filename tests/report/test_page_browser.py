"""The report in a browser: two widths, light and dark, on paper, by keyboard alone, closed to the outside."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import shaftloop
from shaftloop.report.files import OutputError
from shaftloop.report.page.pdf import find_browser

playwright = pytest.importorskip("playwright.sync_api", reason="playwright drives the browser")
pytestmark = pytest.mark.compiled

QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)

ONLY = ("line", "modes", "run", "margins", "fidelity")


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    path: Path = tmp_path_factory.mktemp("report") / "report.html"
    shaftloop.read("wheel-hub", {"duration": "1 s"}).report(path, only=ONLY)
    return path.as_uri()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    try:
        program = find_browser()
    except OutputError as error:
        pytest.skip(str(error))
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=program, args=list(QUIET))
        yield started
        started.close()


def opened(browser: Any, address: str, width: int = 1280, scheme: str = "light") -> tuple[Any, list[str]]:
    """Return a page with all that it complains of and asks others for."""
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    heard: list[str] = []
    page.on("console", lambda message: heard.append(message.text))
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("request", lambda request: None if request.url == address else heard.append(request.url))
    page.goto(address)
    page.wait_for_selector("#traces:not([hidden]) path")
    return page, heard


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_overflows_complains_or_is_fetched(
    browser: Any, address: str, width: int, scheme: str
) -> None:
    page, heard = opened(browser, address, width, scheme)
    assert heard == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    outside = page.evaluate(
        """() => [...document.querySelectorAll("main *")].filter((e) => !e.closest(".scroll, details, svg") &&
        e.getBoundingClientRect().right > innerWidth + 1).map((e) => e.outerHTML.slice(0, 80))"""
    )
    assert outside == []
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(20, 23, 28)"
    assert dark is (scheme == "dark")
    ink = page.evaluate("getComputedStyle(document.querySelector('.fig svg text')).fill")
    assert (sum(map(int, ink.removeprefix("rgb(").rstrip(")").split(","))) > 380) is dark
    page.close()


def test_the_keyboard_alone_suffices(browser: Any, address: str) -> None:
    page, heard = opened(browser, address, 390)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#main"
    unreachable = page.evaluate(
        """() => [...document.querySelectorAll(".scroll")].filter((box) => box.offsetParent !== null &&
        box.scrollWidth > box.clientWidth && box.tabIndex !== 0).length"""
    )
    assert unreachable == 0
    plots = page.locator("#traces [role=application]")
    plots.focus()
    page.keyboard.press("ArrowRight")
    playwright.expect(page.locator("#traces output")).to_contain_text("at ")
    first = page.locator("#traces output").text_content()
    curve = page.locator("#traces path").first.get_attribute("d")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("+")
    playwright.expect(page.locator("#traces path").first).not_to_have_attribute("d", curve)
    assert page.locator("#traces output").text_content() != first
    page.keyboard.press("Home")
    playwright.expect(page.locator("#traces path").first).to_have_attribute("d", curve)
    assert heard == []
    page.close()


def test_the_cursor_reads_what_was_recorded(browser: Any, address: str) -> None:
    page, _ = opened(browser, address)
    simulation = shaftloop.read("wheel-hub", {"duration": "1 s"}).simulate().simulation
    page.locator("#traces [role=application]").focus()
    for _ in range(24):
        page.keyboard.press("Shift+ArrowRight")
    playwright.expect(page.locator("#traces output")).to_contain_text("at 0.9")
    read = page.evaluate(
        """() => [...document.querySelectorAll("#traces output, #traces .legend button")]
        .map((e) => e.textContent)"""
    )
    at = float(read[0].split()[1])
    (value,) = [float(text.removeprefix("drive_torque")) for text in read if text.startswith("drive_torque")]
    place = int(abs(simulation.time - at).argmin())
    trace = simulation.traces["drive_torque"]
    assert value == pytest.approx(
        trace[place], abs=2e-5 * (trace.max() - trace.min()) + 1e-4 * abs(trace[place])
    )
    page.close()


def test_tables_sort_by_size_whatever_the_unit(browser: Any, address: str) -> None:
    page, _ = opened(browser, address)
    table = page.locator("#fidelity table").filter(has_text="figure").first
    table.locator("th button", has_text="value").press("Enter")
    assert table.locator("th").nth(1).get_attribute("aria-sort") == "ascending"
    values = table.locator("td:nth-child(2)").all_text_contents()
    seconds = [text for text in values if text.replace("\u00a0", " ").endswith("s")]
    sizes = [
        float(t.split("\u00a0")[0]) * {"s": 1.0, "ms": 1e-3, "µs": 1e-6}[t.split("\u00a0")[1]]
        for t in seconds
    ]
    assert len(sizes) > 1 and sizes == sorted(sizes)
    table.locator("th button", has_text="value").press("Enter")
    assert table.locator("td:nth-child(2)").all_text_contents() == values[::-1]
    page.close()


def test_paper_holds_all_of_it(browser: Any, address: str, tmp_path: Path) -> None:
    page, heard = opened(browser, address)
    folded = page.locator("details").count()
    assert folded and page.locator("details[open]").count() == 0
    page.pdf(path=str(tmp_path / "page.pdf"))
    assert page.locator("details[open]").count() == folded
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 688, "height": 900})  # A4 between its margins
    assert page.evaluate("document.documentElement.scrollWidth") <= 688
    broken = page.evaluate("""() => [...document.querySelectorAll("#modes td, #run td, #margins td")]
        .filter((cell) => getComputedStyle(cell).overflowWrap === "anywhere").length""")
    assert broken == 0, "numbers break in the middle"
    assert (tmp_path / "page.pdf").read_bytes()[:5] == b"%PDF-" and heard == []
    page.close()


def test_a_pdf_is_printed_and_put_into_place(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "out.pdf"
    shaftloop.read("wheel-hub", {"duration": "30 ms"}).report(path, only=["line"])
    assert path.read_bytes()[:5] == b"%PDF-"
    assert [entry.name for entry in tmp_path.iterdir()] == ["out.pdf"]
