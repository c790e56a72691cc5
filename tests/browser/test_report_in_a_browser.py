"""The report opens by double click, works by keyboard, and is complete without script."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from maskdelta.report import write_report
from report_scene import settings, write_scene

CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium among the system's programs"),
]
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def report(tmp_path_factory) -> Path:
    results = write_scene(tmp_path_factory.mktemp("study"))
    write_report(results, settings())
    return results / "report"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    sync_api = pytest.importorskip("playwright.sync_api", reason="no playwright installed")
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture
def page(browser) -> Iterator[Any]:
    """A page that keeps what went wrong in `page.faults`."""
    yield from _page(browser)


@pytest.fixture
def page_without_script(browser) -> Iterator[Any]:
    yield from _page(browser, java_script_enabled=False)


def _page(browser: Any, **options: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1280, "height": 800}, **options)
    page = context.new_page()
    page.faults = []
    page.on("console", lambda message: page.faults.append(message.text))
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on("requestfailed", lambda request: page.faults.append(request.url))
    page.on(
        "request",
        lambda request: request.url.startswith("file:") or page.faults.append(request.url),
    )
    yield page
    context.close()


def open_page(page: Any, path: Path) -> None:
    page.goto(path.as_uri())
    page.wait_for_load_state()


def test_every_page_opens_from_disk_without_a_fault(page, report):
    for path in sorted(report.parent.rglob("*.html")):
        open_page(page, path)
        assert page.locator("h1").count() == 1
        for image in page.locator("img").all():
            image.scroll_into_view_if_needed()
            image.evaluate("image => image.decode()")
    assert page.faults == []


def test_headline_and_way_to_the_change(page, report):
    open_page(page, report / "index.html")
    assert page.locator(".lead").first.inner_text().startswith("2 changes: 200")
    page.locator("a.tag", has_text="2").first.click()
    page.wait_for_url("**/a1--b1.html#change-2")
    assert page.locator("#change-2").is_visible()


@pytest.mark.parametrize(("forward", "back"), [("j", "k"), ("ArrowRight", "ArrowLeft")])
def test_keys_move_between_changes(page, report, forward, back):
    open_page(page, report / "a1--b1.html")
    focus = "document.activeElement.id"
    for key, expected in (
        (forward, "change-1"),
        (forward, "change-2"),
        (forward, "change-2"),
        (back, "change-1"),
    ):
        page.keyboard.press(key)
        assert page.evaluate(focus) == expected
    assert page.faults == []


def test_the_first_key_skips_to_the_content(page, report):
    open_page(page, report / "index.html")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"


def test_filter_and_sorting(page, report):
    open_page(page, report / "a1--b1.html")
    page.select_option("select[name=layer]", "metal")
    assert page.locator("#ranked tbody tr:visible").count() == 1
    assert not page.locator("#change-2").is_visible()
    assert page.locator("output").inner_text() == "1 of 2 shown"
    page.select_option("select[name=layer]", "")
    page.get_by_role("button", name="Removed").click()
    page.get_by_role("button", name="Removed").click()
    assert page.locator("#ranked tbody tr").first.get_attribute("data-change") == "change-2"
    assert page.locator("th[aria-sort=descending]").count() == 1


def test_outlines_can_be_taken_off_without_script(page_without_script, report):
    page = page_without_script
    open_page(page, report / "a1--b1.html")
    outline = page.locator("#change-1 .photograph svg").first
    assert outline.is_visible()
    page.locator("#outlines").uncheck()
    assert not outline.is_visible()


def test_complete_without_script(page_without_script, report):
    page = page_without_script
    open_page(page, report / "a1--b1.html")
    assert page.locator("#ranked tbody tr:visible").count() == 2
    assert page.locator("article.change:visible").count() == 2
    assert not page.locator("#filter").is_visible()
    assert page.faults == []


@pytest.mark.parametrize("width", [400, 1280])
def test_nothing_is_wider_than_the_window(page, report, width):
    page.set_viewport_size({"width": width, "height": 800})
    for path in sorted(report.parent.rglob("*.html")):
        open_page(page, path)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
