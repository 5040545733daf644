"""What the timeline of a loop shows, looked at as pixels: nested calls inside their parents."""

import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from looptime.views.figures.palette import colour_of
from tests.browser.conftest import Watched, running, settle

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
#: A loop of 20 ms as a rule: what is nested in what, from and for how many milliseconds.
USUAL = (("loop", 0, 20), ("drive.update", 1, 18), ("gyro.read", 2, 3), ("log.write", 3, 1))
SLOW = (("loop", 0, 40), ("drive.update", 1, 36), ("gyro.read", 4, 29.5), ("log.write", 10, 8))


def nested_log(loops: int = 200, slow: int = 150) -> str:
    """Loops whose one read lies in an update, with a write in the read; one loop is slow."""
    rows, at = ["loop,name,start_ms,duration_ms"], 0.0
    for k in range(loops):
        calls = SLOW if k == slow else USUAL
        rows += [f"{k},{name},{at + start},{took}" for name, start, took in calls]
        at += calls[0][2]
    return "\n".join(rows) + "\n"


def pixel(page: Any, x: float, y: float) -> tuple[int, int, int]:
    """The colour that the browser shows at a point of the window."""
    png = page.screenshot(clip={"x": x, "y": y, "width": 1, "height": 1})
    assert struct.unpack(">IIBB", png[16:26])[:2] == (1, 1)
    data, at = b"", 8
    while at < len(png):
        length = int.from_bytes(png[at : at + 4], "big")
        if png[at + 4 : at + 8] == b"IDAT":
            data += png[at + 8 : at + 8 + length]
        at += 12 + length
    red, green, blue = zlib.decompress(data)[1:4]
    return red, green, blue


def nearest(shown: tuple[int, int, int]) -> str:
    """The kind whose colour is nearest to a colour."""

    def off(kind: str) -> int:
        text = colour_of(kind).lstrip("#")
        return sum((int(text[k : k + 2], 16) - shown[k // 2]) ** 2 for k in (0, 2, 4))

    return min(("sensor read", "compute", "telemetry", "actuator write"), key=off)


def test_a_nested_call_is_seen_inside_its_parent(watch: Make, tmp_path: Path) -> None:
    """At 25 ms there is the read and not the update around it; at 13 ms the write in the read."""
    (tmp_path / "nested.csv").write_text(nested_log(), encoding="utf-8")
    with running(tmp_path) as base:
        page = watch(base).open("/?loop=150", "#loop-panel .plot .main-svg")
        settle(page)
        page.locator("#loop-panel .plot").scroll_into_view_if_needed()
        axes = page.evaluate(
            """() => { const p = document.querySelector('#loop-panel .plot').firstChild;
            const {xaxis: x, yaxis: y} = p._fullLayout, at = p.getBoundingClientRect();
            return [at.left + x._offset, at.top + y._offset, x.l2p(1) - x.l2p(0), y.l2p(0)]; }"""
        )
        left, top, a_ms, lane = axes

        def kind(ms: float) -> str:  # of most pixels there: bars carry patterns and names
            near = [(x, y) for x in (-4, -1, 2, 5) for y in (-4, -1, 2)]
            seen = [nearest(pixel(page, left + ms * a_ms + x, top + lane + y)) for x, y in near]
            return max(set(seen), key=seen.count)

        assert [kind(ms) for ms in (2.5, 25.2, 11.0, 35.0)] == [
            "compute", "sensor read", "telemetry", "compute",
        ]  # fmt: skip
        told = page.evaluate(
            """() => document.querySelector('#loop-panel .plot').firstChild.data
            .flatMap(t => t.customdata.map((c, k) => [c[0], c[1], t.base[k], t.x[k], c[3]]))"""
        )
        slow = {name: tuple(rest) for loop, name, *rest in told if loop == 150}
        assert slow["gyro.read"] == (4.0, 29.5, 29.5)
        assert slow["log.write"] == (10.0, 8.0, 8.0)
        page.goto("about:blank")  # before its server goes


def test_the_title_names_what_stretched_in_this_loop(watch: Make, tmp_path: Path) -> None:
    """The loop's own culprit: its read took 29.5 less 8 ms by itself, 2 ms as a rule."""
    (tmp_path / "nested.csv").write_text(nested_log(), encoding="utf-8")
    with running(tmp_path) as base:
        page = watch(base).open("/?loop=150", "#loop-panel h2")
        said = page.locator("#loop-panel h2").inner_text()
        assert "Loop 150 took 40.0 ms, a typical one 20.0 ms" in said
        assert "gyro.read stretched most, by 19.5 ms" in said
        page.goto("about:blank")
