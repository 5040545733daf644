"""The figures of a page one by one, in big type, by the arrow keys."""

from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.conftest import Site, Watched, settle

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
DRAWN = "#page .plot .main-svg"


def seen(page: Any) -> list[str]:
    """Titles of the figures of which at least half is in the window."""
    return page.evaluate(
        "() => [...document.querySelectorAll('#page .card')].filter((c) => {"
        " const b = c.getBoundingClientRect();"
        " return Math.min(b.bottom, innerHeight) - Math.max(b.top, 0) > b.height / 2;"
        "}).map((c) => c.querySelector('h2').textContent)"
    )


def wait_for(page: Any, wanted: str) -> None:
    """Wait until a figure fills the window and has come to rest there."""
    page.evaluate("() => { looks = 0 }")
    page.wait_for_function(
        "(w) => (looks = Math.abs([...document.querySelectorAll('#page .card')].find((c) =>"
        " c.querySelector('h2').textContent === w).getBoundingClientRect().top) < 3"
        " ? looks + 1 : 0) > 20", arg=wanted,
    )  # fmt: skip


def test_arrow_keys_lead_from_figure_to_figure(watch: Make, site: Site) -> None:
    """Each fills the window; right and down go on, left and up back; nothing else is in sight."""
    shown = watch().open(f"/?run={site.keys['single_reads']}", DRAWN)
    small = float(shown.evaluate("parseFloat(getComputedStyle(document.documentElement).fontSize)"))
    shown.click("text=Present")
    shown.wait_for_selector(".presenting")
    shown.wait_for_selector(DRAWN)
    titles = shown.locator("#page .card h2").all_inner_texts()
    assert len(titles) >= 3
    assert shown.locator(".presenting").inner_text().startswith(f"{len(titles)} figures")
    assert not shown.locator("header.top").is_visible()
    type_px = "parseFloat(getComputedStyle(document.documentElement).fontSize)"
    assert shown.evaluate(type_px) == pytest.approx(1.4 * small)
    assert seen(shown) == titles[:1]
    for key, place in (("ArrowRight", 1), ("ArrowDown", 2), ("ArrowLeft", 1), ("ArrowUp", 0)):
        shown.keyboard.press(key)
        wait_for(shown, titles[place])
        assert seen(shown) == [titles[place]]
    shown.click("text=end the presentation")
    shown.wait_for_selector("header.top")
    assert "present" not in shown.url


def test_a_presented_figure_fits_and_is_accessible(watch: Make, site: Site) -> None:
    """It is as large as its room, also where the window is small; no serious violation."""
    from axe_playwright_python.sync_playwright import Axe

    shown = watch().open(f"/costs?run={site.keys['single_reads']}&present=yes", DRAWN)
    settle(shown)
    found = Axe().run(shown).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
    for width, height in ((1280, 720), (1920, 1080), (390, 844)):
        shown.set_viewport_size({"width": width, "height": height})
        settle(shown)
        box, inner = (shown.locator(s).first.bounding_box() for s in ("#page .plot", DRAWN))
        assert box["height"] > 0.5 * height
        assert inner["height"] == pytest.approx(box["height"], abs=3)
        assert inner["width"] == pytest.approx(box["width"], abs=3)
        assert shown.evaluate("document.documentElement.scrollWidth") <= width


def test_a_page_without_figures_says_so(watch: Make, site: Site) -> None:
    """The list of logs has none; Escape leads back."""
    shown = watch().open(f"/logs?run={site.keys['single_reads']}&present=yes", ".presenting")
    assert "no figure on this page" in shown.locator("#page").inner_text()
    shown.keyboard.press("Escape")
    shown.wait_for_selector("#page .ag-row")
