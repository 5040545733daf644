"""Figures of a season: how the loop moved over its runs."""

from typing import Any

from looptime.checks.season.trends import LevelChange, Trend, Trends
from looptime.views.figures.checks_figures import TITLES, plus
from looptime.views.figures.palette import AFTER, NEUTRAL, QUIET, WARN
from looptime.views.figures.picture import Picture, axis, label, layout, text_in_plot, three
from looptime.views.text.terminal import count, number

__all__ = ["trend_figure", "trends_table"]


def trend_figure(at: Trends, statistic: str = "p99") -> Picture | None:
    """One figure of a robot's runs over the season; None where there is none such."""
    found = next((t for t in at.trends if not t.call and t.statistic == statistic), None)
    if found is None or not found.values:
        return None
    runs = list(range(1, len(found.values) + 1))
    odd = {o.entry for o in at.odd}
    facts = [e.facts for e in at.entries]
    colours = [WARN if e.name in odd else NEUTRAL for e in at.entries]
    shapes = [
        "x" if e.name in odd else "square" if e.baseline else "circle" for e in at.entries
    ]  # fmt: skip
    words = [
        ", ".join([*(["baseline"] if e.baseline else []), *(["odd"] if e.name in odd else [])])
        for e in at.entries
    ]
    data: list[dict[str, Any]] = [
        {
            "type": "scatter", "mode": "lines+markers", "x": runs,
            "y": [float(v) for v in found.values],
            "line": {"color": QUIET, "width": 1}, "name": "runs",
            "marker": {"color": colours, "symbol": shapes, "size": 9},
            "customdata": [[text_in_plot(label(f.name, 40)), text_in_plot(f.version or "not named"),
                            (f.time or "time not known")[:16].replace("T", " "), w]
                           for f, w in zip(facts, words, strict=True)],
            "hovertemplate": "%{customdata[0]}<br>version %{customdata[1]}, %{customdata[2]}<br>"
            "%{y:.4g} " + found.unit + " %{customdata[3]}<extra></extra>",
        }
    ]  # fmt: skip
    data += _levels(at, found)
    name = TITLES.get(statistic, statistic)
    unit = "loops a second" if statistic == "rate" else f"{at.quantity} {name} (ms)"
    drawn = layout(axis("run, in order of recording", automargin=True, dtick=_step(len(runs))),
                   axis(unit))  # fmt: skip
    title = _trend_title(at, found, name)
    return Picture(
        f"trend-{statistic}", title, {"data": data, "layout": drawn},
        f"{count(len(runs), 'run')}. {title}.",
        ("run", "log", "version", "recorded", f"{at.quantity} {name}", "marks"),
        tuple((k, f.name, f.version or "", (f.time or "").replace("T", " "), float(v), w)
              for k, f, v, w in zip(runs, facts, found.values, words, strict=True)),
        "One figure a run. Levels are where the runs divide into stretches that differ by "
        "Student's t (at least three runs each, corrected for the places looked at); squares are "
        "runs of the baseline, crosses runs unlike their neighbours, which are left out of levels "
        "and trend.", _key_of_marks(words, bool(found.steps)),
    )  # fmt: skip


def _step(n: int) -> int:
    return max(1, round(n / 12))


def _levels(at: Trends, found: Trend) -> list[dict[str, Any]]:
    """A line along each level between changes."""
    place = {e.name: k + 1 for k, e in enumerate(at.entries)}
    made = []
    start = 1.0
    for k, step in enumerate(found.steps):
        end = (place[step.before_entry] + place[step.after_entry]) / 2
        made.append((start, end, step.before))
        start = end
        if k == len(found.steps) - 1:
            made.append((start, float(len(at.entries)), step.after))
    return [
        {
            "type": "scatter", "mode": "lines", "x": [a, b], "y": [float(v), float(v)],
            "line": {"color": AFTER, "width": 3, "dash": "dash"},
            "hovertemplate": f"level {number(v, 4)} {found.unit}<extra></extra>",
        }
        for a, b, v in made
    ]  # fmt: skip


def _key_of_marks(words: list[str], levels: bool) -> tuple[str, ...]:
    """What the marks that are drawn stand for."""
    told = " ".join(words)
    marks = [text for word, text in (("baseline", "squares are runs of the baseline"),
                                     ("odd", "crosses are runs unlike their neighbours"))
             if word in told]  # fmt: skip
    if levels:
        marks.append("dashed lines are levels")
    if not marks:
        return ()
    text = "; ".join(marks)
    return (f"{text[:1].upper()}{text[1:]}.",)


def _trend_title(at: Trends, found: Trend, name: str) -> str:
    what = "The loop rate" if found.statistic == "rate" else f"{at.quantity.capitalize()} {name}"
    if found.steps:
        step = max(found.steps, key=lambda s: abs(s.percent.value or 0.0))
        return f"{what} changes by {plus(step.percent.value)} % {_where(step)}"
    slope, p = found.per_run_percent, found.p_holm
    if slope.value is not None and p is not None and p < 0.05:
        return f"{what} drifts by {plus(slope.value, 2)} % a run"
    if slope.value is None:
        return f"{what} over {count(len(found.values), 'run')}: too few to see a trend"
    return f"{what} keeps its level over {count(len(found.values), 'run')}"


def _where(step: LevelChange) -> str:
    old, new = (label(v or "not named", 20) for v in (step.before_version, step.after_version))
    return f"between version {old} and {new}" if step.with_version else f"within version {old}"


def _trend_name(at: Trends, found: Trend) -> str:
    name = TITLES.get(found.statistic, found.statistic)
    if found.call:
        return f"{found.call}: {name} a loop"
    return name if found.statistic == "rate" else f"{at.quantity} {name}"


def trends_table(at: Trends) -> tuple[tuple[str, ...], tuple[tuple[Any, ...], ...]]:
    """Heads and rows of every figure that is followed, those that moved first."""
    rows = sorted(at.trends, key=lambda t: (not t.steps, t.p_holm if t.p_holm is not None else 1))
    made = tuple(
        (_trend_name(at, t), t.unit, float(t.values[0]), float(t.values[-1]),
         *three(t.per_run_percent), t.p_holm,
         "; ".join(f"{plus(s.percent.value, 2)} % {_where(s)}" for s in t.steps))
        for t in rows if t.values
    )  # fmt: skip
    return ("figure", "unit", "first run", "last run", "% a run", "low", "high", "p of slope",
            "changes of level"), made  # fmt: skip
