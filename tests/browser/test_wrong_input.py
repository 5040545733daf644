"""What is written into a field and makes no sense is answered beside it."""

from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import pytest

from tests.browser.conftest import Site, Watched

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
FIELD = "input[name=change]:not([type=hidden])"


def test_a_remedy_that_is_none_is_answered_beside_its_field(watch: Make, site: Site) -> None:
    """It stays in the field with what is wrong; the right one takes its place and is predicted."""
    shown = watch().open(f"/changes?run={site.keys['single_reads']}", FIELD)
    shown.fill(FIELD, "spin fast")
    shown.click("button:text('Add')")
    told = shown.locator("form .field .error")
    told.wait_for()
    assert "spin" in told.inner_text()
    assert shown.input_value(FIELD) == "spin fast"
    shown.fill(FIELD, "drop telemetry.write")
    shown.click("button:text('Add')")
    shown.wait_for_selector("#plan-basis, [data-key=periods-then]")
    assert parse_qs(urlsplit(shown.url).query)["change"] == ["drop telemetry.write"]
    assert told.count() == 0


@pytest.mark.parametrize(("name", "given"), [("deg", "abc"), ("mm", "-3"), ("motion", "spin:3")])
def test_a_tolerance_that_is_no_number_is_answered_beside_its_field(
    watch: Make, site: Site, name: str, given: str
) -> None:
    """The field keeps what the address said, with what it wants; the page has the usual answer."""
    path = f"/heading?run={site.keys['single_reads']}&{name}={given}"
    shown = watch().open(path, f"label:has(input[name={name}]) .error")
    told = shown.locator(f"label:has(input[name={name}]) .error")
    assert given in told.inner_text()
    assert shown.input_value(f"input[name={name}]") == given


def test_the_browser_itself_refuses_numbers_out_of_range(watch: Make, site: Site) -> None:
    """A tolerance below 0 is not sent; one above it takes its place in the address."""
    shown = watch().open(f"/heading?run={site.keys['single_reads']}", "input[name=mm]")
    shown.fill("input[name=mm]", "-3")
    before = shown.url
    shown.click("button:text('Apply')")
    assert shown.locator("input[name=mm]:invalid").count() == 1
    assert shown.url == before
    shown.fill("input[name=mm]", "3")
    shown.click("button:text('Apply')")
    shown.wait_for_url("**mm=3**")


def test_a_range_that_ends_before_it_begins_is_answered_beside_its_field(
    watch: Make, site: Site
) -> None:
    """The whole run is shown, and what was written stays to be mended."""
    shown = watch().open(f"/?run={site.keys['single_reads']}&start=20&end=10", "#used")
    told = shown.locator("label:has(input[name=end]) .error")
    assert "10" in told.inner_text()
    assert shown.input_value("input[name=end]") == "10"
    assert "whole run" not in shown.locator("#choices").inner_text()
