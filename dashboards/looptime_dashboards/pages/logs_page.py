"""The logs on offer, and where another one can be dropped."""

from datetime import datetime
from urllib.parse import urlencode

from dash import html

from looptime.views.text.terminal import count, safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.grids import grid
from looptime_dashboards.lean import Part
from looptime_dashboards.library import DROP_LIMIT, Offered
from looptime_dashboards.log_keys import content_of
from looptime_dashboards.pages.common import are, rows_aside
from looptime_dashboards.parts import ELSEWHERE, choices, faint, onward, section
from looptime_dashboards.view import View

__all__ = ["body"]


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    offered = desk.library.offered()
    where = desk.library.folder
    text = count(len(offered), "log")
    if where is not None:
        text += f" in {safe(where.name or str(where), 80)}, which is watched: new ones appear here"
    left = desk.library.left_out
    if left:
        text += f"; these are the newest: {left:,} older {are(left)} left out"
    parts: list[Part] = [html.P(text + ".", className="note", role="status")]
    if not offered:
        parts.append(html.P("Put logs (.csv, .txt, .log, also .gz or .zst) into the folder."))
    grow = desk.library.being_written()
    if grow:
        names = ", ".join(safe(name, 60) for name in grow[:5])
        parts.append(html.P([f"Being written now: {names}. ", onward("follow it", "/live")],
                            className="note"))  # fmt: skip
    rows = [_row(desk, one) for one in offered]
    if rows:
        keys = {row: one.key for row, one in zip(rows, offered, strict=True)}
        here = [k for k, one in enumerate(offered) if one.content == content_of(view.run)]
        made = grid("logs", ("log", "size, MB", "written", "state"), rows,
                    lambda row: "?" + urlencode({"run": keys[tuple(row)], **ELSEWHERE}),
                    min(90 + 34 * len(rows), 560), next(iter(here), None))  # fmt: skip
        words = faint("Choose a row to open a log; then go on to any page.")
        asked = [] if not here or offered[here[0]].dropped else [
            choices("Next", onward("its pace", "/"),
                    onward("what its columns are taken for", "/columns"))]  # fmt: skip
        parts.append(section("logs", "Logs", words, made, *asked))
    parts.append(
        faint(f"A log of up to {DROP_LIMIT >> 20} MiB can also be dropped onto any page, or chosen"
              " with the button at the top. It is kept until the server ends, and not stored.")
    )  # fmt: skip
    return parts, False


def _row(desk: Desk, one: Offered) -> tuple[Part, ...]:
    if not one.changed:  # passed over, so that neither is known
        return one.name, None, "", one.error
    states = [f"read as {one.layout}"] if one.layout else []
    states += ["dropped onto the page"] if one.dropped else []
    log = desk.library.at_hand(one.key)
    hurt = "" if log is None else rows_aside(log)
    states += ["not read yet"] if log is None else [hurt.rstrip(".") or "every row used"]
    states += ["being written: see Live"] if one.growing else []
    when = datetime.fromtimestamp(one.changed).astimezone().strftime("%Y-%m-%d %H:%M:%S")
    return one.name, float(f"{one.size / 1e6:.3g}"), when, one.error or ", ".join(states)
