"""Readiness: the gate's verdict, the limits, and how the season moved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from dash import html

from looptime.checks.change import Tolerance
from looptime.checks.gate import GateResult, choose_baseline, gate
from looptime.checks.season import Season
from looptime.checks.trends import season_trends
from looptime.errors import LooptimeError
from looptime.views.figures_season import season_trend
from looptime.views.terminal import safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages.sides import runs_of, settings_of
from looptime_dashboards.parts import card, note, table
from looptime_dashboards.view import View

__all__ = ["body"]

_WORDS = {"pass": "Ready", "fail": "Not ready", "can't tell": "Can't tell"}


def body(desk: Desk, view: View) -> tuple[list[Any], bool]:
    """The page, and whether better figures are on their way."""
    store = _season(desk)
    after = tuple(dict.fromkeys((view.run, *view.after)))
    new = runs_of(desk, view, after)
    chosen = runs_of(desk, view, tuple(k for k in view.before if k not in after))
    key = ("gate", after, view.before, view.phase, view.start, view.end, view.warmup)

    def make() -> GateResult:
        old: list[Any] = list(chosen)
        if not old and store is not None:
            old = list(choose_baseline(store, new, None, desk.project.robot))
        return gate(new, old, limits=desk.project.limits, settings=settings_of(desk, view),
                    tolerance=Tolerance.of(desk.project.regression))  # fmt: skip

    at = desk.work.get(key, make, "Checking")
    return [*_verdict(at, desk, bool(chosen)), *_trend(desk, store)], False


def _season(desk: Desk) -> Season | None:
    """The season beside the project file or in the folder, where there is one."""
    places: list[Path] = []
    if desk.project.path is not None:
        places.append(desk.project.path.parent / "season")
    if desk.library.folder is not None:
        places += [desk.library.folder / "season", desk.library.folder]
    return next((Season(p) for p in places if Season.is_season(p)), None)


def _verdict(at: GateResult, desk: Desk, chosen: bool) -> list[Any]:
    against = "the runs chosen on Before and after" if chosen else "the season's baseline"
    lines: list[Any] = [html.H2(f"{_WORDS[at.verdict]}: {safe(at.sentence, 600)}")]
    if at.baseline:
        lines.append(html.P(f"Held against {against} ({len(at.baseline)} runs).",
                            className="faint"))  # fmt: skip
    else:
        lines.append(html.P("No baseline: choose runs before the change on Before and after, or "
                            "keep a season with: looptime season add FOLDER, then looptime season "
                            "baseline QUERY.", className="faint"))  # fmt: skip
    if not desk.project.limits:
        lines.append(html.P("No limits are set: write them under [limits] in looptime.toml.",
                            className="faint"))  # fmt: skip
    lines += [html.P(safe(n, 600)) for n in at.notes]
    parts: list[Any] = [html.Section(lines, className=f"card gate {at.verdict.split()[0]}",
                                     key="verdict")]  # fmt: skip
    if at.rows:
        order = {"fail": 0, "can't tell": 1, "pass": 2}
        rows = [
            (r.verdict, r.check, r.what, r.value, r.limit, r.unit, r.change_percent, r.note)
            for r in sorted(at.rows, key=lambda r: order.get(r.verdict, 3))
        ]
        heads = ("verdict", "check", "figure", "value", "limit", "unit", "change %", "note")
        parts.append(html.Section([html.H2("Check by check"),
                                   table(heads, rows, "Limits and regression, failures first")],
                                  className="card", key="rows"))  # fmt: skip
    return parts


def _trend(desk: Desk, store: Season | None) -> list[Any]:
    if store is None:
        return []
    try:
        made, _ = desk.work.get(("trends", str(store.folder), len(store.entries())),
                                lambda: season_trends(store), "Looking at the season")  # fmt: skip
    except LooptimeError as error:
        return [note(str(error))]
    parts = []
    for robot in made[:3]:
        for statistic in ("mean", "p99"):
            picture = season_trend(robot, statistic)
            if picture is not None:
                parts.append(card(desk, picture, f"season-{robot.robot or 'robot'}"))
    return parts
