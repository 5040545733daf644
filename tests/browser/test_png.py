"""Pictures to send: every figure of every page, in the page's colours and with its finding."""

import json
import re
import struct
import zlib
from collections.abc import Callable
from urllib.parse import urlencode

import pytest

from looptime.views.figures.palette import DARK, LIGHT
from tests.browser.conftest import LOGS, Site, Watched

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]


def _corner(png: bytes) -> tuple[int, int, str]:
    """Width, height and the colour of the first pixel, read without any library for pictures."""
    width, height, depth, kind = struct.unpack(">IIBB", png[16:26])
    assert (depth, kind in (2, 6)) == (8, True)
    data, at = b"", 8
    while at < len(png):
        length = int.from_bytes(png[at : at + 4], "big")
        if png[at + 4 : at + 8] == b"IDAT":
            data += png[at + 8 : at + 8 + length]
        at += 12 + length
    # no filter changes the first pixel of the first line: there is nothing before it
    return width, height, "#" + zlib.decompress(data)[1:4].hex()


@pytest.mark.parametrize(
    ("path", "more", "theme"),
    [
        ("/", [("loop", "300")], "dark"),
        ("/costs", [], "light"),
        ("/changes", [("change", "batch drive.*.read")], "dark"),
        ("/sides", [("before", LOGS[1])], "light"),
        ("/heading", [], "dark"),
        ("/readiness", [], "light"),
    ],
)
def test_pictures_carry_theme_and_finding(
    watch: Make, site: Site, path: str, more: list[tuple[str, str]], theme: str
) -> None:
    """Each has the ground of the page that it was taken from, and the title of its card."""
    pairs = [("run", site.keys[LOGS[0]]), *((k, site.keys.get(v, v)) for k, v in more)]
    shown = watch(color_scheme=theme).open(f"{path}?{urlencode(pairs)}", "#page .plot .main-svg")
    shown.wait_for_selector("text=/on (its|their) way|Working it out|Predicting|Looking/",
                            state="detached")  # fmt: skip
    count = shown.locator("button[data-png]").count()
    assert count >= 1
    assert count == shown.locator(".plot").count()
    for k in range(count):
        button = shown.locator("button[data-png]").nth(k)
        with shown.expect_download() as told:
            button.click()
        width, height, ground = _corner(told.value.path().read_bytes())
        assert (width, height > 300) == (2200, True)
        assert ground == (DARK if theme == "dark" else LIGHT)["raised"]
        assert told.value.suggested_filename == f"{button.get_attribute('data-png')}.png"
        place = button.locator("xpath=ancestor::section").locator(".plot")
        said = json.loads(place.get_attribute("data-figure"))["png"]["title"]["text"]
        head = button.locator("xpath=ancestor::section").locator("h2").inner_text()
        words = said.replace("<br>", " ").replace("&lt;", "<").replace("&amp;", "&")
        assert re.sub(r"\s+", " ", words) == re.sub(r"\s+", " ", head)
