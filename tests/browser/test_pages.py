"""Every page in a real browser: drawn, accessible, quiet, and true to its address."""

from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import pytest
from looptime_dashboards.pages import PAGES

from tests.browser.conftest import LOGS, Site, Watched, patient, pick_run, settle

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
DRAWN = "#page .js-plotly-plot .main-svg"
#: Of tables whose rows stand as blocks: head and name of each cell that has text, but the first.
HEADS = """() => [...document.querySelectorAll('.wide table')].flatMap(table => {
    const heads = [...table.querySelectorAll('th')].map(h => h.textContent)
    const cells = [...table.querySelectorAll('td')].filter(td => td.cellIndex && td.textContent)
    return cells.filter(td => getComputedStyle(td).display == 'block').map(td => {
        const said = getComputedStyle(td, '::before').content
        return [heads[td.cellIndex], said == 'none' ? '' : td.dataset.head]
    })
})"""


def params(page: object) -> dict[str, list[str]]:
    """What the page's address says."""
    return parse_qs(urlsplit(page.url).query)  # type: ignore[attr-defined]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("page", PAGES, ids=[p.title for p in PAGES])
def test_every_page_is_drawn_and_accessible(
    watch: Make, site: Site, page: object, scheme: str
) -> None:
    """Both logs on every page: content, no serious accessibility violation, no wide overflow."""
    from axe_playwright_python.sync_playwright import Axe

    log = LOGS[scheme == "dark"]
    other = LOGS[scheme != "dark"]
    watched = watch(color_scheme=scheme)
    search = f"?run={site.keys[log]}&before={site.keys[other]}&change=drop+telemetry.write"
    search += "&call=telemetry.write"
    shown = watched.open(page.path + search, "#page .card")  # type: ignore[attr-defined]
    settle(shown)
    assert shown.locator("#page-title").inner_text() == page.title  # type: ignore[attr-defined]
    assert shown.locator("#page .note.error").count() == 0
    found = Axe().run(shown).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
    assert shown.evaluate("document.documentElement.scrollWidth") <= 1280
    shown.set_viewport_size({"width": 390, "height": 800})
    # figures follow a new width when the browser comes to it
    fits = "() => document.documentElement.scrollWidth <= 390"
    shown.wait_for_function(fits)
    # rows that are read one by one name each cell as its column's head does
    for head, named in shown.evaluate(HEADS):
        assert named == head
    # the page begins in the upper third of a phone
    assert shown.locator("header.top").bounding_box()["height"] <= 800 / 3


def test_a_choice_holds_on_other_pages_and_in_the_address(watch: Make, site: Site) -> None:
    """Run, warm-up and range chosen on one page are those of the next, and of the link sent on."""
    shown = watch().open(f"/?run={site.keys['single_reads']}", DRAWN)
    shown.click("text=kept")
    shown.wait_for_selector("a[aria-current=true]:has-text('kept')")
    settle(shown)
    shown.locator(".js-plotly-plot").first.scroll_into_view_if_needed()
    box = shown.locator(".js-plotly-plot .nsewdrag").first.bounding_box()
    shown.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 40)
    shown.mouse.down()
    shown.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 60, steps=6)
    shown.mouse.up()
    shown.wait_for_selector("text=whole run")
    chosen = params(shown)
    assert chosen["warmup"] == ["keep"]
    assert 10 < float(chosen["start"][0]) < 25
    assert 30 < float(chosen["end"][0]) < 45
    shown.click("nav a:has-text('Where time goes')")
    shown.wait_for_function(
        "() => document.getElementById('page-title').textContent.startsWith('Where')"
    )
    assert params(shown) == chosen
    used = shown.locator("#used").inner_text()
    again = watch().open(urlsplit(shown.url).path + "?" + urlsplit(shown.url).query, "#used")
    assert again.locator("#used").inner_text() == used
    shown.go_back()
    shown.wait_for_function("() => document.getElementById('page-title').textContent === 'Pace'")


def test_a_point_or_a_row_shows_the_calls_of_its_loop(watch: Make, site: Site) -> None:
    """A click on a slow loop's mark, and a row of the table, show that loop by thread."""
    shown = watch().open(f"/?run={site.keys['gyro_thread_own_bus']}", DRAWN)
    mark = shown.locator(".js-plotly-plot .scatterlayer .trace").last.locator("path.point").first
    mark.scroll_into_view_if_needed()
    box = mark.bounding_box()
    shown.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    shown.wait_for_selector("#loop-panel .main-svg")
    loop = params(shown)["loop"][0]
    panel = shown.locator("#loop-panel").inner_text()
    assert f"Loop {loop} took" in panel
    assert "gyro" in shown.locator("#loop-panel").inner_html()
    shown.click("nav a:has-text('Slow loops')")
    row = shown.locator(".ag-center-cols-container .ag-row").nth(2)
    row.wait_for()
    settle(shown)
    wanted = row.locator(".ag-cell").first.inner_text()
    row.click()
    shown.wait_for_function(
        f"() => document.querySelector('#loop-panel h2')?.textContent.startsWith('Loop {wanted} ')"
    )
    assert params(shown)["loop"] == [wanted]


def test_the_keyboard_alone_is_enough(watch: Make, site: Site) -> None:
    """Tab reaches the pages, the choices and the loops; Enter uses them."""
    shown = watch().open(f"/slow?run={site.keys['single_reads']}", "#page .choice")

    def tab_to(words: str) -> None:
        for _ in range(60):
            shown.keyboard.press("Tab")
            text = shown.evaluate("document.activeElement.textContent")
            if text.startswith(words):
                outline = "getComputedStyle(document.activeElement).outlineStyle"
                assert shown.evaluate(outline) == "solid"
                return
        raise AssertionError(f"Tab never reached {words!r}")

    tab_to("Skip")
    tab_to("loop ")
    shown.keyboard.press("Enter")
    shown.wait_for_selector("#loop-panel .card")
    assert params(shown)["loop"]
    shown.evaluate("document.activeElement.blur(); document.getElementById('skip').focus()")
    tab_to("Pace")
    shown.keyboard.press("Enter")
    shown.wait_for_function("() => document.getElementById('page-title').textContent === 'Pace'")


def test_a_bad_log_says_what_the_command_says(watch: Make, site: Site) -> None:
    """The one sentence of the command line stands on the page; the other logs stay usable."""
    from looptime import read_log
    from looptime.errors import LogError

    with pytest.raises(LogError) as told:
        read_log(site.folder / "bad.csv")
    shown = watch().open(f"/?run={site.keys['bad']}", "#page .note.error")
    said = f"bad.csv:{told.value.line}: {told.value.what}"  # and not the folder it lies in
    assert shown.locator("#page .note.error").inner_text() == said
    pick_run(shown, "single_reads")
    shown.wait_for_selector(DRAWN)


def test_hostile_names_stay_text(watch: Make, site: Site) -> None:
    """Markup, formulas, long names and direction marks of a log do nothing on any page."""
    watched = watch()
    for page in PAGES:
        search = f"?run={site.keys['hostile']}&loop=29&before={site.keys['single_reads']}"
        shown = watched.open(page.path + search)
        settle(shown)
        assert shown.title() != "taken"
        assert shown.locator("#page img, #loop-panel img, #page b").count() == 0
        text = shown.locator("#page").inner_text() + shown.locator("#loop-panel").inner_text()
        assert not set(text) & set("\u202e\u2066\u200f")
        assert shown.evaluate("document.documentElement.scrollWidth") <= 1280


def test_exports_hold_what_is_shown(watch: Make, site: Site) -> None:
    """CSV and PNG come as files; a name that looks like a formula is quoted as text."""
    shown = watch().open(f"/costs?run={site.keys['hostile']}", DRAWN)
    with shown.expect_download() as told:
        shown.click("#page .card >> nth=0 >> text=CSV")
    text = told.value.path().read_text(encoding="utf-8-sig")
    assert "'=HYPERLINK(1)" in text
    assert text.splitlines()[0].startswith("call,calls a loop")
    with shown.expect_download() as told:
        shown.click("#page .card >> nth=0 >> text=PNG")
    assert told.value.path().read_bytes().startswith(b"\x89PNG")


def test_a_dropped_log_is_opened(watch: Make, site: Site) -> None:
    """A file given to the button is read and shown; a bad one says why."""
    shown = watch(checked=False).open(f"/?run={site.keys['single_reads']}", DRAWN)
    rows = ["loop,name,start_ms,duration_ms"]
    rows += [f"{k},{name},{20 * k + at},{took}" for k in range(300)
             for name, at, took in (("gyro.read", 1, 3), ("loop", 0, 20))]  # fmt: skip
    data = "\n".join(rows).encode()
    shown.set_input_files("#file", {"name": "dropped.csv", "mimeType": "text/csv", "buffer": data})
    shown.wait_for_selector("#used:has-text('300 loops')")
    shown.wait_for_selector("#run-select:has-text('dropped.csv')")
    shown.set_input_files("#file", {"name": "worse.csv", "mimeType": "text/csv",
                                    "buffer": b"a,b\n1,x\n"})  # fmt: skip
    shown.wait_for_selector("#page .note.error:has-text('worse.csv')")


def test_three_browsers_do_not_disturb_each_other(chromium: object, site: Site) -> None:
    """Three browsers with other runs and ranges at once each see their own."""
    wanted = [
        ("single_reads", ""),
        ("gyro_thread_own_bus", ""),
        ("single_reads", "&start=10&end=20"),
    ]
    pages = []
    for name, more in wanted:
        context = patient(chromium)
        page = context.new_page()
        page.goto(f"{site.base}/?run={site.keys[name]}{more}", wait_until="commit")
        pages.append((context, page))
    said = []
    for context, page in pages:
        page.wait_for_selector("#used")
        page.click("nav a:has-text('Where time goes')")
        page.wait_for_function("() => document.getElementById('page-title').textContent[0] === 'W'")
        page.wait_for_selector("#used")
        said.append(page.locator("#used").inner_text())
        context.close()
    assert len(set(said)) == 3
    assert "in 10.0 s" in said[2]
