"""What is written into a field and makes no sense is answered beside it."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import parse_qs, urlsplit

import pytest

from tests.browser.conftest import Site, Watched

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]


def test_a_remedy_that_is_none_is_answered_beside_its_field(watch: Make, site: Site) -> None:
    """It stays in the field with what is wrong; the right one takes its place and is predicted."""
    shown = watch().open(f"/changes?run={site.keys['single_reads']}", "input[name=add-change]")
    shown.fill("input[name=add-change]", "spin fast")
    shown.click("button:text('Add')")
    told = shown.locator("form .field .error")
    told.wait_for()
    assert "spin" in told.inner_text()
    assert shown.input_value("input[name=add-change]") == "spin fast"
    shown.fill("input[name=add-change]", "drop telemetry.write")
    shown.click("button:text('Add')")
    shown.wait_for_selector("#plan-basis, [data-key=periods-then]", timeout=60_000)
    assert parse_qs(urlsplit(shown.url).query)["change"] == ["drop telemetry.write"]
    assert told.count() == 0


@pytest.mark.parametrize(("name", "given"), [("deg", "abc"), ("mm", "-3"), ("motion", "spin:3")])
def test_a_tolerance_that_is_no_number_is_answered_beside_its_field(
    watch: Make, site: Site, name: str, given: str
) -> None:
    """The field keeps what was written, with what it wants; the page shows the usual answer."""
    shown = watch().open(f"/heading?run={site.keys['single_reads']}", f"input[name={name}]")
    shown.fill(f"input[name={name}]", given)
    shown.click("button:text('Apply')")
    told = shown.locator(f"label:has(input[name={name}]) .error")
    told.wait_for()
    assert given in told.inner_text()
    assert shown.input_value(f"input[name={name}]") == given
