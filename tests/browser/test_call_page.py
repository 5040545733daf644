"""From the bars of Where time goes to the page of one call."""

from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import pytest

from tests.browser.conftest import Site, Watched, settle

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
DRAWN = "#page .js-plotly-plot .main-svg"
BARS = "document.querySelector('.plot[data-key=costs-call]').firstChild.data[0].customdata"


def test_a_bar_of_like_calls_opens_and_that_of_one_leads_to_its_page(
    watch: Make, site: Site
) -> None:
    """A click on the drive's bar shows its calls one by one; one on a single call, its page."""
    shown = watch().open(f"/costs?run={site.keys['single_reads']}", DRAWN)
    settle(shown)

    def click(on: str) -> None:
        places = shown.evaluate(BARS)
        wanted = next(k for k, each in enumerate(places) if each[2].startswith(on))
        box = (
            shown.locator(".plot[data-key=costs-call] .barlayer .point").nth(wanted).bounding_box()
        )
        shown.mouse.click(box["x"] + min(8, box["width"] / 2), box["y"] + box["height"] / 2)

    before = len(shown.evaluate(BARS))
    click("?open=")
    shown.wait_for_function(f"() => {BARS}.length > {before}")
    settle(shown)  # else the bars may move between the look and the click
    opened = parse_qs(urlsplit(shown.url).query)["open"]
    assert "*" in opened[0]
    assert shown.locator("#page .toggle[aria-pressed=true]").count() == 1
    click("/call?call=")
    shown.wait_for_selector("#page-title:has-text('One call')")
    name = parse_qs(urlsplit(shown.url).query)["call"][0]
    shown.wait_for_selector(".plot[data-key=call-run] .main-svg")
    assert name in shown.locator("#page").inner_text()
    assert shown.locator("#page h2:has-text('Remedies')").count() == 1


def test_the_table_of_calls_sorts_shares_in_percent(watch: Make, site: Site) -> None:
    """Shares are of a hundred, and sorted by size; a row leads to its call."""
    shown = watch().open(f"/costs?run={site.keys['single_reads']}", ".ag-row")
    head = shown.locator(".ag-header-cell:has-text('share, %')").first
    head.click()
    head.click()
    column = head.get_attribute("col-id")
    cells = shown.locator(f".ag-center-cols-container [col-id={column}]")
    shown.wait_for_selector(f"[col-id={column}][aria-sort=descending]")
    shown.wait_for_function(f"""() => {{
        const shares = [...document.querySelectorAll(".ag-row [col-id={column}]")]
            .map((c) => [+c.closest(".ag-row").getAttribute("row-index"), +c.innerText])
            .sort(([a], [b]) => a - b).map(([, share]) => share);
        return shares.every((share, k) => !k || share <= shares[k - 1]);
    }}""")
    values = [float(t) for t in cells.all_inner_texts() if t]
    assert 1 < values[0] <= 100
    shown.locator(".ag-row[row-index='1'] .ag-cell").first.click()
    shown.wait_for_selector("#page-title:has-text('One call'), #loop-panel")


def test_a_call_that_is_not_there_is_said(watch: Make, site: Site) -> None:
    """The page offers those that are."""
    shown = watch().open(f"/call?run={site.keys['single_reads']}&call=warp.read", "#page .choice")
    assert "There is no call 'warp.read'" in shown.locator("#page .note.error").inner_text()
    shown.locator("#page .choice").first.click()
    shown.wait_for_selector(".plot[data-key=call-times] .main-svg")
