"""Any number of runs beside each other: logs that were chosen, or runs of the season."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from dash import html

from looptime.errors import LooptimeError, UsageError
from looptime.questions.side_by_side import Beside, Placed, measured, of_season, side_by_side
from looptime.questions.timing import part
from looptime.views.figures.beside_figures import beside_table, change_map, periods_beside
from looptime.views.text.terminal import count, safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.grids import grid
from looptime_dashboards.lean import Part
from looptime_dashboards.log_keys import content_of
from looptime_dashboards.pages.common import unlike_neighbours
from looptime_dashboards.pages.pieces import called, csv_link, season
from looptime_dashboards.parts import (
    address,
    busy,
    card,
    faint,
    form_of,
    named,
    note,
    section,
    table,
    toggle,
)
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

if TYPE_CHECKING:
    from looptime.checks.season.season import Season

__all__ = ["body", "many"]

_MOST_LOGS, _MOST_ROBOTS, _ALL = 80, 3, 40


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    error = ""
    try:
        store = season(desk)
    except LooptimeError as problem:
        store, error = None, str(problem)
    has_season = store is not None and bool(store.entries())
    parts: list[Part] = [note(error, "error")] if error else []
    wait, wrong = False, {}
    try:
        found, left_out = many(desk, view, store if has_season else None)
        parts += [note(f"{name} is left out: {why}", "error") for name, why in left_out]
    except Pending as pending:
        found, wait = [], True
        parts.append(busy(pending))
    except LooptimeError as problem:
        found = []
        wrong = {"query": (view.query, str(problem))} if view.query else {}
        if not wrong:
            parts.append(note(str(problem), "error"))
    if not found and not wait and not wrong and not error:
        parts.append(note("Choose the runs to put beside each other: two or more."))
    for at in found[:_MOST_ROBOTS]:
        parts += _robot(desk, at, _leads(desk, view), len(found) > 1)
    return [*parts, _chooser(desk, view, has_season, wrong)], wait


def many(
    desk: Desk, view: View, store: Season | None
) -> tuple[list[Beside], list[tuple[str, str]]]:
    """The runs that are chosen, beside each other, each robot's by themselves; and those left out.

    The latter are names of logs that cannot be read, and why not.

    Raises
    ------
    Pending
        While they are being read.
    LooptimeError
        If none can be read, or the query names none.
    """
    keys = tuple(dict.fromkeys((view.run, *view.beside) if view.run else view.beside))
    keys = keys if view.beside else ()
    of_store = store is not None and (bool(view.query) or not keys)
    if not keys and not of_store:
        return [], []
    listed = tuple((e.name, e.baseline) for e in store.entries()) if store and of_store else ()
    key = ("many", keys, view.phase, view.warmup, view.query if of_store else None, listed)
    tell = desk.many.tell(key)

    def make() -> tuple[list[Beside], list[tuple[str, str]]]:
        runs = of_season(store, view.query, tell) if store is not None and of_store else []
        left_out = []
        for k, one in enumerate(keys):
            try:
                runs.append(_measured(desk, view, one))
            except LooptimeError as problem:
                left_out.append((_name(desk, one), str(problem)))
            tell((k + 1) / len(keys))
        if left_out and not runs:
            raise UsageError("; ".join(f"{name}: {why}" for name, why in left_out[:3]))
        return side_by_side(runs), left_out

    text = f"Reading {count(len(keys) or len(listed), 'run')}"
    return desk.many.get(key, make, text, 0.5)


def _measured(desk: Desk, view: View, key: str) -> Placed:
    """The figures of one run, kept: they are few, however long its log."""
    known = ("measured", key, view.phase, view.warmup)
    placed: Placed | None = desk.many.peek(known)
    if placed is None:
        desk.library.log(key, patience_s=3600)
        run = called(desk, key, desk.library.run(key))
        names = desk.phases_of(key, run)
        phase = (view.phase if view.phase in names else names[0]) if names else None
        placed = desk.heavily(lambda: measured(desk.asked(view), part(run, phase, None, None)))
        desk.many.put(known, placed)
    return placed


def _leads(desk: Desk, view: View) -> dict[str, str]:
    """By the content of a run whose log is here, the address of its page."""
    found = {}
    for key in (view.run, *view.beside):
        placed = desk.many.peek(("measured", key, view.phase, view.warmup))
        if placed is not None:
            found[placed.key] = f"/?run={key}&start=&end=&loop=&phase=&change="
    return found


def _robot(desk: Desk, at: Beside, leads: dict[str, str], several: bool) -> list[Part]:
    name = safe(at.facts[0].robot or "robot not named", 40)
    parts: list[Part] = [html.H2(f"Runs of {name}")] if several else []
    pictures = (change_map(at), periods_beside(at))
    parts += [card(desk, p) for p in pictures if p is not None]
    heads, rows = beside_table(at)
    export = csv_link(desk.keep_table("runs", heads, rows), "runs", f"the runs of {name}")
    parts.append(
        section(f"runs {name}", "Run by run", *map(html.P, unlike_neighbours(at.odd)),
                grid(f"runs {name}", heads, rows,
                     lambda row: leads.get(at.runs[row[0] - 1].key, ""),
                     min(120 + 33 * len(rows), 460)),
                html.Div(export, className="under"))
    )  # fmt: skip
    return parts


def _chooser(desk: Desk, view: View, has_season: bool, wrong: dict[str, tuple[str, str]]) -> Part:
    logs = [o for o in desk.library.offered() if not o.error]
    picked = {content_of(k) for k in view.beside}
    logs.sort(key=lambda o: o.content not in picked)
    rows: list[Sequence[Part]] = []
    for one in logs[:_MOST_LOGS]:
        this = one.content == content_of(view.run)
        cell = html.Span("the run at the top", className="faint") if this else toggle(
            one.name, "beside", view.beside, one.key, "beside it")  # fmt: skip
        rows.append((one.name, cell))
    listed = {o.content for o in logs}
    for key in view.beside:
        if content_of(key) not in listed:
            name = _name(desk, key)
            rows.insert(0, (name, toggle(name, "beside", view.beside, key, "beside it")))
    every = [o.key for o in logs[:_ALL]]
    links = [_all("all of them" if len(logs) <= _ALL else f"the newest {_ALL}", every)]
    if view.beside:
        links.append(_all("none", []))
    parts: list[Part] = []
    if has_season:
        parts.append(form_of("Runs of the season",
                             ("query", "Query", view.query),
                             button="Show", wrong=wrong))  # fmt: skip
        words = (
            "Which of the season's runs, for example version=1.* last=20. An empty field is the "
            "whole season, unless logs are chosen below."
        )
        parts.append(faint(words))
    parts += [html.Div(links, className="choices"),
              table(("log", "chosen"), rows, "Logs on offer", _MOST_LOGS + _ALL)]  # fmt: skip
    return section("chooser", "Which runs", *parts)


def _name(desk: Desk, key: str) -> str:
    """What a log is called whose runs are not on offer."""
    bad = desk.library.get(key)
    if bad is None:
        return "(a log that is not here)"
    return f"{safe(bad.name, 70)} (cannot be read)" if bad.error else safe(bad.name, 70)


def _all(text: str, keys: Sequence[str]) -> Part:
    pairs = [("beside", key) for key in keys] or [("beside", "")]
    return html.A(text, href=address("", beside=list(keys)), className="choice", key=text,
                  **named({"data-set": urlencode(pairs)}))  # fmt: skip
