"""From a finding to what shows it and to what mends it."""

from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import pytest
from looptime_dashboards.parts import ways

from looptime.findings import Finding
from looptime.findings.finding import Evidence
from tests.browser.conftest import Site, Watched

Make = Callable[..., Watched]


def test_a_finding_leads_to_its_remedy_its_call_its_loop_and_its_page() -> None:
    """One that moves the robot and names all has all four; a bare one has none."""
    rich = Finding("dear_call", "act", "A.", moves=True, command="looptime heading LOG",
                   evidence=Evidence(loops=(7, 9), calls=("gyro.read",)))  # fmt: skip
    sets = [getattr(link, "data-set", "") for link in ways(rich)]
    pages = [getattr(link, "data-page", "") for link in ways(rich)]
    assert sets == ["seek=dear_call%3Agyro.read&change=", "loop=7", "call=gyro.read", ""]
    assert pages == ["/changes", "", "/call", "/heading"]
    assert ways(Finding("healthy", "fine", "B.")) == []


@pytest.mark.browser
def test_acting_on_a_finding_switches_its_remedy_on(watch: Make, site: Site) -> None:
    """Changes opens with one remedy on, its effect above the fold; Back leads to the finding."""
    shown = watch().open(f"/?run={site.keys['single_reads']}", "#page .found .ways")
    shown.click("#page .found .ways >> text=try a remedy >> nth=0")
    shown.wait_for_selector("[data-key=told] .chief")
    asked = parse_qs(urlsplit(shown.url).query)
    assert len(asked["change"]) == 1
    assert "seek" not in asked
    assert shown.locator("#page .toggle[aria-pressed=true]").count() >= 1
    for place in ("[data-key=told] strong >> nth=0", "#page .toggle[aria-pressed=true] >> nth=0"):
        box = shown.locator(place).bounding_box()
        assert box["y"] + box["height"] < 720  # no scrolling at 1280 x 720
    assert "the mean changes by" in shown.locator("[data-key=told]").inner_text()
    shown.go_back()
    shown.wait_for_selector("#page-title:has-text('Pace')")
