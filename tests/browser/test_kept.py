"""What is kept while pages change, and what those see who zoom, type or set their own colours."""

from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest

from tests.browser.conftest import LOGS, Site, Watched

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
DRAWN = "#page .js-plotly-plot .main-svg"


def go_to(shown: Any, name: str) -> None:
    """Follow the link of a page at the top."""
    shown.click(f"nav a:has-text('{name}')")
    shown.wait_for_selector(f"#page-title:has-text('{name}')")


def test_the_scroll_outlives_other_pages(watch: Make, site: Site) -> None:
    """A page comes back where it was left, by a link and by Back, on a slow machine too."""
    shown = watch().open(f"/?run={site.keys[LOGS[0]]}", DRAWN)
    session = shown.context.new_cdp_session(shown)
    session.send("Emulation.setCPUThrottlingRate", {"rate": 8})
    # a click with the mouse would first scroll to the link at the top, as its reader does
    follow = "(name) => [...document.querySelectorAll('nav a')].find(a => a.text === name).click()"
    at_500 = "() => document.querySelector('#page .main-svg') && scrollY === 500"
    shown.evaluate("scrollTo(0, 500)")
    shown.wait_for_function(at_500)
    for _ in range(2):
        shown.evaluate(follow, "Slow loops")
        shown.wait_for_selector(".ag-row")
        shown.wait_for_function("() => scrollY === 0")
        shown.evaluate(follow, "Pace")
        shown.wait_for_function(at_500)
    shown.go_back()
    shown.wait_for_selector(".ag-row")
    shown.go_back()
    shown.wait_for_function(at_500)


def test_tables_and_filters_outlive_other_pages(watch: Make, site: Site) -> None:
    """A page that comes back, by its link or by Back, is as it was left."""
    shown = watch().open(f"/?run={site.keys[LOGS[0]]}", DRAWN)
    table = "[data-key=periods] details:has-text('As a table')"
    shown.click(f"{table} summary")
    go_to(shown, "Slow loops")
    shown.wait_for_selector(".ag-row")
    shown.fill(".ag-floating-filter-input input >> nth=0", "300")
    shown.wait_for_function(
        "() => [...document.querySelectorAll('.ag-row [col-id=c0]')].every(c => +c.innerText > 299)"
    )
    go_to(shown, "Pace")
    shown.wait_for_selector(f"{table}[open]")
    shown.go_back()
    shown.wait_for_selector("#page-title:has-text('Slow loops')")
    shown.wait_for_selector(".ag-row")
    assert shown.input_value(".ag-floating-filter-input input >> nth=0") == "300"
    shown.go_back()
    shown.wait_for_selector("#page-title:has-text('Pace')")
    shown.wait_for_selector(f"{table}[open]")


def test_the_chosen_row_is_the_chosen_loop(watch: Make, site: Site) -> None:
    """It is marked when the page comes back, and choosing it leaves one step to go back."""
    shown = watch().open(f"/slow?run={site.keys[LOGS[0]]}", ".ag-row")
    row = shown.locator(".ag-center-cols-container .ag-row").nth(1)
    loop = row.locator(".ag-cell").first.inner_text()
    row.click()
    shown.wait_for_selector(f"#loop-panel h2:has-text('Loop {loop} ')")
    steps = shown.evaluate("history.length")
    go_to(shown, "Pace")
    go_to(shown, "Slow loops")
    shown.wait_for_selector(f".ag-row-selected:has-text('{loop}')")
    shown.wait_for_timeout(500)
    assert shown.evaluate("history.length") == steps + 2


def test_a_loop_in_the_address_is_in_sight(watch: Make, site: Site) -> None:
    """The page opens at the loop, not above it."""
    shown = watch().open(f"/?run={site.keys[LOGS[0]]}&loop=300", "#loop-panel .main-svg")
    shown.wait_for_function(
        "() => { const at = document.querySelector('#loop-panel h2').getBoundingClientRect();"
        "return at.top >= 0 && at.bottom <= innerHeight; }"
    )


def test_range_and_loop_are_chosen_by_keyboard(watch: Make, site: Site) -> None:
    """Typed numbers go where a drag and a click go."""
    shown = watch().open(f"/?run={site.keys[LOGS[0]]}", DRAWN)
    shown.focus("#choices summary")
    shown.keyboard.press("Enter")
    shown.focus("input[name=start]")
    shown.keyboard.type("10")
    shown.keyboard.press("Tab")
    shown.keyboard.type("20")
    shown.keyboard.press("Enter")
    shown.wait_for_selector("#used:has-text('in 10.0 s')")
    assert parse_qs(urlsplit(shown.url).query)["end"] == ["20"]
    shown.wait_for_selector("#choices details[open]")
    shown.focus("input[name=loop]:not([type=hidden])")
    shown.keyboard.type("600")
    shown.keyboard.press("Enter")
    shown.wait_for_selector("#loop-panel h2:has-text('Loop 600 ')")


def test_focus_and_title_follow_the_page(watch: Make, site: Site) -> None:
    """The heading of the new page has the focus; a choice keeps it."""
    shown = watch().open(f"/?run={site.keys[LOGS[0]]}", DRAWN)
    go_to(shown, "Where time goes")
    shown.wait_for_function("() => document.activeElement.id === 'page-title'")
    assert shown.title().startswith("Where time goes - ")
    shown.focus("#page .toggle >> nth=0")
    words = "document.activeElement.getAttribute('aria-label')"
    which = shown.evaluate(words)
    shown.keyboard.press("Enter")
    shown.wait_for_selector("#page .toggle[aria-pressed=true]")
    assert shown.evaluate(words) == which


def test_figures_and_grid_follow_larger_type(watch: Make, site: Site) -> None:
    """At twice the size of type, labels, bars and rows are twice as large, and nothing is cut."""
    shown = watch().open(f"/costs?run={site.keys[LOGS[0]]}", ".ag-row")
    shown.wait_for_selector(DRAWN)
    size = (
        "() => { const high = (e) => document.querySelector(e).getBoundingClientRect().height;"
        "return [high('#page .plot .yaxislayer-above text'), high('#page .plot'),"
        " high('.ag-row'), high('h2')]; }"
    )
    before = shown.evaluate(size)
    shown.evaluate("document.documentElement.style.fontSize = '200%'")
    shown.wait_for_function(
        f"() => ({size})()[0] > {1.8 * before[0]} && ({size})()[2] > {1.8 * before[2]}"
    )
    for old, new in zip(before[:3], shown.evaluate(size), strict=False):
        assert 1.9 < new / old < 2.1
    fits = (
        "() => { const [out, inside] = ['#page .plot', '#page .plot .main-svg'].map((e) =>"
        " document.querySelector(e).getBoundingClientRect());"
        "return inside.right <= out.right + 1 && inside.bottom <= out.bottom + 1; }"
    )
    shown.wait_for_function(fits)
    shown.wait_for_function("() => document.documentElement.scrollWidth <= 1280")


def test_chosen_states_are_seen_in_forced_colours(watch: Make, site: Site) -> None:
    """Where the system sets all colours, what is chosen still has another ground."""
    shown = watch(forced_colors="active").open(f"/costs?run={site.keys[LOGS[0]]}", DRAWN)
    shown.click("#page .toggle >> nth=0")
    shown.wait_for_selector("#page .toggle[aria-pressed=true]")
    ground = "(e) => getComputedStyle(e).backgroundColor"
    for on, off in (
        (".choice[aria-current=true]", ".choice:not([aria-current])"),
        (".toggle[aria-pressed=true]", ".toggle[aria-pressed=false]"),
        ("nav a[aria-current=page]", "nav a:not([aria-current])"),
    ):
        assert shown.locator(on).first.evaluate(ground) != shown.locator(off).first.evaluate(ground)


def test_the_grid_is_loaded_where_it_is_used(watch: Make, site: Site) -> None:
    """No page without a table of that kind asks for it, and one that has it asks once."""
    watched = watch()
    asked: list[str] = []
    watched.page.on("request", lambda r: asked.append(r.url) if "ag_grid.v" in r.url else None)
    shown = watched.open(f"/?run={site.keys[LOGS[0]]}", DRAWN)
    go_to(shown, "Heading")
    shown.wait_for_selector(DRAWN)
    assert asked == []
    for name in ("Slow loops", "Where time goes", "Slow loops"):
        go_to(shown, name)
        shown.wait_for_selector(".ag-row")
    assert len(asked) == 1
