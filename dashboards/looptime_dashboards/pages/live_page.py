"""A log while a robot writes it: its last minute, renewed each second."""

from dash import html

from looptime.views.figures.live_figures import calls_now, long_loops, periods_now
from looptime.views.text.terminal import count, in_full, number, safe
from looptime.words import percent
from looptime_dashboards.desk import Desk
from looptime_dashboards.following import Seen
from looptime_dashboards.lean import Part
from looptime_dashboards.pages.common import chief_figures
from looptime_dashboards.parts import (
    ELSEWHERE,
    card,
    choice,
    choices,
    faint,
    note,
    onward,
    section,
    table,
)
from looptime_dashboards.view import View

__all__ = ["body"]

#: Without a new loop for so long, the log is said to rest [s].
_RESTS_S = 3.0
#: Below this part of the file, what is shown is not what happens now.
_READ = 0.95
#: Logs that are offered at once, and at all: those of a season are looked for on the other pages.
_FIRST, _MOST_LOGS = 6, 60


def body(desk: Desk, view: View) -> tuple[list[Part], bool]:
    """The page; what is to come is asked for by the page itself."""
    held = view.hold == "yes"
    hold = choices("Figures", choice("renewed each second", not held, hold=""),
                   choice("held still", held, hold="yes"))  # fmt: skip
    logs = {desk.library.name_of(path): path for path in desk.following.logs()}
    chosen = view.log if view.log in logs else ""
    at = desk.following.look(not held, logs.get(chosen, ""))
    if at is None:
        text = (
            "No log is being written here yet. Start the robot with its log in the folder that "
            "the dashboard watches (also over a mounted share); it is followed as soon as it is "
            "there."
        )
        return [_waiting(text)], False
    parts: list[Part] = [_state(desk, at, held), _which(list(logs), chosen), hold]
    if not at.live.loops:
        return [*parts, _waiting("Waiting for the first loops.")], False
    budget = desk.project.budget_ms
    parts.append(_figures(at, budget))
    pictures = [periods_now(at.minute, budget), calls_now(at.minute)]
    # while they move there is nothing to take away: hold them for table and export
    parts += [card(desk, p, moving=not held) for p in pictures if p is not None]
    parts.append(_long(at, budget))
    return parts, False


def _which(names: list[str], chosen: str) -> Part:
    """The folder's logs, of which one is followed; None where there is but one."""
    if len(names) < 2:
        return None
    newest = choice("the newest", not chosen, log="")
    first, others = names[:_FIRST], names[_FIRST:_MOST_LOGS]
    shown = choices("Log", newest, *(choice(name, name == chosen, log=name) for name in first))
    if not others:
        return shown
    links = [choice(name, name == chosen, log=name) for name in others]
    more = html.Details([html.Summary("Older logs"), html.Div(links, className="choices")],
                        key="older", open=chosen in others)  # fmt: skip
    return html.Div([shown, more])


def _waiting(text: str) -> Part:
    return html.Section([note(text)], className="card", key="live-waiting")


def _state(desk: Desk, at: Seen, held: bool) -> Part:
    """Which log it is, and how things stand with it."""
    name = desk.library.name_of(at.path)
    words = [f"{safe(name, 120)}: {count(at.live.loops, 'loop')} in {number(at.live.seconds)} s"]
    if at.share < _READ:
        words.append(f"{percent(at.share)} of the file is read")
    elif at.quiet_s >= _RESTS_S:
        words.append(f"nothing new for {at.quiet_s:.0f} s")
    if at.passed:
        passed = safe(desk.library.name_of(at.passed), 80)
        words.append(f"no loop can be read in {passed}, which is newer")
    if at.told and not at.told.endswith(f": {at.path}"):  # else its name stands there already
        words.append(in_full(at.told.replace(at.path, name)))
    key = desk.library.as_it_is(at.path) if held else ""
    more = [" ", onward("open it as it is now", "/", run=key, hold="",
                        **ELSEWHERE)] if key else []  # fmt: skip
    return html.P(["; ".join(words) + ".", *more], className="note", id="live-state")


def _figures(at: Seen, budget: float | None) -> Part:
    live = at.live
    cells = (
        ("loops a second", "rate_hz", ""), ("half of the loops, up to", "p50_ms", " ms"),
        ("99 % of the loops, up to", "p99_ms", " ms"), ("longest", "max_ms", " ms"),
    )  # fmt: skip
    made = []
    for text, name, unit in cells:
        now, run = (getattr(live, name)[k] for k in ("now", "run"))
        made.append((text, f"{number(now)}{unit}", f"last 10 s; in all {number(run)}{unit}"))
    if budget is not None:
        made.append((f"over {number(budget)} ms, last minute", f"{at.minute.over:,}",
                     f"in all {live.over:,} ({percent(live.over_share)})"))  # fmt: skip
    figures = chief_figures(made)
    if not at.broken:
        return figures
    said = f"Broken limits of the project file: {', '.join(at.broken)}."
    return html.Div([html.P(said, className="note error"), figures])


def _long(at: Seen, budget: float | None) -> Part:
    rows = long_loops(at.live.long)
    what = "over the budget" if budget is not None else "of more than twice the usual length"
    if not rows:
        return faint(f"No loop {what} so far.")
    made = table(("loop", "at s", "ms", "longer by"), rows, f"Loops {what}, newest first")
    return section("live-long", "Newest long loops", made)
