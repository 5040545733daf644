"""Readiness: the gate's verdict, the limits, and how the season moved."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dash import html

from looptime.errors import LooptimeError, UnlikePhasesError
from looptime.questions.judging import gate, trends
from looptime.questions.pit_check import WORDS, checklist
from looptime.views.figures.checks_figures import gate_margins, gate_table
from looptime.views.figures.season_figures import trend_figure, trends_table
from looptime.views.text.terminal import count, in_full, safe
from looptime_dashboards.desk import Desk
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.common import sentence, unlike_neighbours
from looptime_dashboards.pages.pieces import past, season, table_card
from looptime_dashboards.pages.sides_page import runs_of
from looptime_dashboards.parts import busy, card, caution, faint, note, section, table
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

if TYPE_CHECKING:
    from looptime.checks.gate.checklist import Checklist
    from looptime.checks.gate.gate import GateResult
    from looptime.checks.season.season import Season
    from looptime.checks.season.trends import Trends

__all__ = ["body", "verdict"]

#: How things stand by the gate alone, which judges a part of the checklist.
_BY_GATE = {"pass": "partly", "fail": "not ready", "can't tell": "can't tell"}
_MOST_ROBOTS = 3


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page, and whether better figures are on their way."""
    parts: list[Part] = []
    wait = False
    try:
        store = season(desk)
    except LooptimeError as error:
        store = None
        parts.append(note(str(error), "error"))
    for make in (_checked, _trend):
        try:
            parts += make(desk, view, store)
        except Pending as pending:
            wait = True
            parts.append(busy(pending))
        except LooptimeError as error:
            parts.append(note(str(error), "error"))
    return parts, wait


def verdict(desk: Desk, view: View, store: Season | None) -> tuple[GateResult, bool]:
    """What the gate says of the runs that are looked at, and whether it holds them against others
    that were chosen.

    Raises
    ------
    Pending
        While it is being worked out.
    LooptimeError
        If they may not be held against each other.
    """
    after = tuple(dict.fromkeys((view.run, *view.after)))
    new = runs_of(desk, view, after)
    chosen = runs_of(desk, view, tuple(k for k in view.before if k not in after))
    marked = 0 if store is None else sum(e.baseline for e in store.entries())
    key = ("gate", after, view.before, view.phase, view.start, view.end, view.warmup, marked)
    asked = desk.asked(view)

    def make() -> GateResult:
        return gate(asked, new, past=chosen or past(desk, store, after))

    return desk.work.get(key, lambda: desk.heavily(make), "Checking", 0.5), bool(chosen)


def _checked(desk: Desk, view: View, store: Season | None) -> list[Part]:
    lacks = ""
    try:
        at, chosen = verdict(desk, view, store)
    except UnlikePhasesError as error:  # a phase is looked at, and the season holds whole runs
        if view.before:
            raise
        lacks = error.lacks.partition("; ")[0]
        lacks += "; keep runs of one phase: looptime season add FOLDER --phase NAME"
        at, chosen = verdict(desk, view, None)
    whole = _whole(desk, view, at, lacks)
    parts = [_verdict(at, whole, desk, chosen, lacks)]
    margins = gate_margins(at)
    if margins is not None:
        parts.append(card(desk, margins))
    parts += _list(desk, view, whole)
    if at.rows:
        parts.append(
            table_card(desk, "gate", "Check by check", *gate_table(at),
                       "Limits and baseline, failures first")
        )  # fmt: skip
    return parts


def _whole(desk: Desk, view: View, judged: GateResult, lacks: str) -> Checklist | None:
    """The checklist of the run at the top, whose log is at hand."""
    log = desk.library.at_hand(view.run)
    found, _ = desk.summary(view)
    return None if log is None else checklist([log], [desk.run(view)], [found], judged, lacks)


def _list(desk: Desk, view: View, whole: Checklist | None) -> list[Part]:
    """What else is looked at before a round."""
    log = desk.library.at_hand(view.run)
    if whole is None or log is None:
        return []
    words = {"ok": "holds", "bad": "look at it", "not judged": "not judged"}
    name = Path(log.path).name  # where it lies is nobody's business
    rows = [(one.what, words[one.state], in_full(one.text),
             in_full(one.action.replace(log.path, name)))
            for one in whole.checks]  # fmt: skip
    heads, caption = ("check", "state", "found", "next"), f"Of {safe(name, 80)}"
    return [table_card(desk, "checklist", "Before a round", heads, rows,
                       f"{caption}, as looptime pit says it")]  # fmt: skip


def _verdict(at: GateResult, whole: Checklist | None, desk: Desk, chosen: bool, lacks: str) -> Part:
    """Ready or not, as the whole checklist has it: timing that passes is no tick of the rest."""
    names = ", ".join(safe(f.name, 40) for f in at.new[:4])
    standing = _BY_GATE[at.verdict] if whole is None else whole.standing
    word, said = WORDS[standing], in_full(f"Gate: {at.sentence}")
    why = said if whole is None else whole.sentence.removeprefix(f"{word}: ")
    lines: list[Part] = [html.H2(word), html.P(html.Strong(in_full(sentence(why)))),
                        *([] if whole is None else [html.P(said)]),
                        faint(f"Checked: {names}.")]  # fmt: skip
    against = "the runs chosen as before" if chosen else "the season's baseline"
    if at.baseline:
        versions = dict.fromkeys(f.version or "not named" for f in at.baseline)
        shown = ", ".join(safe(v, 30) for v in list(versions)[:4])
        lines.append(
            faint(f"Held against {against}: {count(len(at.baseline), 'run')}, version {shown}.")
        )
    elif lacks:
        lines.append(faint(f"The season's baseline is of other phases: {in_full(lacks)}."))
    else:
        lines.append(faint("No baseline: choose runs as before on the page Before and after, or "
                           "keep a season: looptime season add FOLDER, then looptime season "
                           "baseline QUERY."))  # fmt: skip
    if not desk.project.limits:
        lines.append(faint("No limits are set: write them under [limits] in looptime.toml."))
    notes = [n for n in at.notes if not (lacks and n.startswith("regression not checked"))]
    lines += [faint(sentence(n)) for n in notes]
    if standing == "not ready":
        lines.append(caution("the check is about timing only; it says nothing about safe motion."))
    return html.Section(lines, className=f"card gate {standing.split()[0]}", key="verdict")


def _trend(desk: Desk, view: View, store: Season | None) -> list[Part]:
    del view  # the season is the same for every run
    if store is None:
        return []
    entries = len(store.entries())
    if not entries:
        return [note("The season holds no runs yet: looptime season add FOLDER.")]
    made, spread = desk.work.get(
        ("trends", str(store.folder), entries), lambda: trends(store),
        "Looking at the season",
    )  # fmt: skip
    parts: list[Part] = []
    for robot in made[:_MOST_ROBOTS]:
        parts += _robot(desk, robot, len(made) > 1)
    if len(spread) > 1:
        rows = [(s.robot, s.runs, s.mean_ms, s.p99_ms, s.sd_percent, s.from_all_percent)
                for s in spread]  # fmt: skip
        heads = ("robot", "runs", "mean ms", "p99 ms", "sd from run to run, %", "from all, %")
        parts.append(section("robots", "Between robots", table(heads, rows, "Slowest first")))
    return parts


def _robot(desk: Desk, at: Trends, several: bool) -> list[Part]:
    name = safe(at.robot or "robot not named", 40)
    parts: list[Part] = [html.H2(f"Season of {name}")] if several else []
    for statistic in ("mean", "p99"):
        picture = trend_figure(at, statistic)
        if picture is not None:
            parts.append(card(desk, picture))
    lines = unlike_neighbours(at.odd)
    if not at.ordered:
        lines.insert(0, "Not every log says when it was recorded: runs stand in the order of their "
                     "names.")  # fmt: skip
    parts.append(
        table_card(desk, f"trends_{name}", "What moved over the season", *trends_table(at),
                   "Every figure, those that moved first", *(html.P(line) for line in lines))
    )  # fmt: skip
    return parts
