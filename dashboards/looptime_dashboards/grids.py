"""Long tables that can be sorted and filtered, and from which a row can be chosen."""

from collections.abc import Callable, Sequence
from typing import Any

import dash_ag_grid as dag
from dash import Dash
from flask import g, has_request_context

from looptime.views.text.terminal import in_full
from looptime_dashboards.lean import Part
from looptime_dashboards.parts import is_long, is_number

__all__ = ["grid", "has_grid", "scripts_of_grid"]

_COLOURS = {
    "backgroundColor": "var(--raised)", "foregroundColor": "var(--ink)",
    "textColor": "var(--ink)", "headerBackgroundColor": "var(--ground)",
    "headerTextColor": "var(--ink)", "borderColor": "var(--line)", "accentColor": "var(--link)",
    "oddRowBackgroundColor": "var(--raised)", "rowHoverColor": "var(--ground)",
    "selectedRowBackgroundColor": "var(--ground)", "inputBackgroundColor": "var(--ground)",
    "inputTextColor": "var(--ink)", "menuBackgroundColor": "var(--raised)",
    "menuTextColor": "var(--ink)", "fontFamily": "system-ui, sans-serif",
}  # fmt: skip
_THEME = (
    "themeQuartz.withParams({"
    + ", ".join(f"{k}: '{v}'" for k, v in _COLOURS.items())
    + ", fontSize: '.85rem', spacing: '.3rem', rowHeight: '2rem'})"
)
# a number is seldom looked for as such: what is asked is which rows are above it
_ASKED = {"filterOptions": ["greaterThanOrEqual", "lessThanOrEqual", "inRange"],
          "defaultOption": "greaterThanOrEqual", "maxNumConditions": 1}  # fmt: skip


def grid(
    page: str, heads: Sequence[str], rows: Sequence[Sequence[object]],
    sets: Callable[[Sequence[Any]], str], height_px: int = 340, chosen: int | None = None,
) -> Part:  # fmt: skip
    """A table whose columns sort by their heads and filter by the fields below them.

    Parameters
    ----------
    page : str
        Page it stands on, one a page.
    heads : sequence of str
        Names of the columns; shares are shown in percent.
    rows : sequence of sequence
        Numbers, text or None.
    sets : callable
        From a row to what choosing it sets in the address, as ``?loop=7``, after the page that it
        leads to where that is another; empty where it leads nowhere.
    height_px : int
        Its height at the usual size of type.
    chosen : int, optional
        Place of the row that is chosen.
    """
    if has_request_context():
        g.has_grid = True
    shares = {k for k, head in enumerate(heads) if head.startswith("share")}
    numbers = {k for k in range(len(heads)) if any(is_number(row[k]) for row in rows)} | shares
    data = [
        {"id": str(i), "set": sets(row),
         **{f"c{k}": _cell(v, k in shares) for k, v in enumerate(row)}}
        for i, row in enumerate(rows)
    ]  # fmt: skip
    columns = [
        _column(
            k,
            head,
            k in numbers,
            k in shares,
            not any(isinstance(r[k], float) for r in rows),
            any(is_long(r[k]) for r in rows),
        )
        for k, head in enumerate(heads)
    ]
    return dag.AgGrid(
        id={"type": "grid", "page": page}, columnDefs=columns, rowData=data,
        getRowId="params.data.id", className="grid", style={"height": f"{height_px / 16:g}rem"},
        selectedRows=[] if chosen is None else {"ids": [str(chosen)]},
        filterModel={}, persistence=True, persisted_props=["filterModel"],
        persistence_type="memory",
        defaultColDef={"sortable": True, "resizable": True, "floatingFilter": True,
                       "suppressHeaderMenuButton": True, "wrapHeaderText": True,
                       "autoHeaderHeight": True},
        dashGridOptions={"rowSelection": {"mode": "singleRow", "checkboxes": False,
                                          "enableClickSelection": True},
                         "theme": {"function": _THEME}, "animateRows": False,
                         "ensureDomOrder": True},
    )  # fmt: skip


def has_grid() -> bool:
    """Whether the answer that is being made holds a grid."""
    return has_request_context() and bool(g.get("has_grid"))


def scripts_of_grid(app: Dash) -> list[dict[str, str]]:
    """What a browser must load before it can show a grid; pages without one go without it."""
    (script,) = (r for r in dag._js_dist if r["relative_package_path"] == "dash_ag_grid.min.js")
    script["dynamic"] = False
    with app.server.app_context():
        found: list[dict[str, str]] = app.get_dist(["dash_ag_grid"])
    script["dynamic"] = True
    return found


def _column(
    k: int, head: str, is_number: bool, is_share: bool, whole: bool, long: bool
) -> dict[str, Any]:
    made: dict[str, Any] = {
        "field": f"c{k}", "headerName": f"{head}, %" if is_share else head,
        "minWidth": 90 if is_number else 130 if k else 150, "flex": 1 if is_number else 2,
        "filter": "agNumberColumnFilter" if is_number else "agTextColumnFilter",
    }  # fmt: skip
    if long:
        made.update(wrapText=True, autoHeight=True, flex=4, minWidth=320,
                    cellStyle={"lineHeight": "1.4", "paddingTop": ".35rem"})  # fmt: skip
    if is_number:
        made.update(type="rightAligned", filterParams=_ASKED)
    if not whole:
        text = ".1f" if is_share else ".4~g"
        made["valueFormatter"] = {
            "function": f"params.value == null ? '-' : d3.format('{text}')(params.value)"
        }
    return made


def _cell(value: object, is_share: bool) -> object:
    if isinstance(value, str):
        return in_full(value)
    return 100 * value if is_share and is_number(value) else value
