"""Figures of a season: how pace moved over its runs."""

from __future__ import annotations

from looptime.checks.trends import Trends
from looptime.views.figures import Picture, axis, label, layout, text_in_plot
from looptime.views.palette import MARK, NEUTRAL, WARN
from looptime.views.terminal import number

__all__ = ["season_trend"]

_MOST_RUNS = 5000


def season_trend(at: Trends, statistic: str = "mean") -> Picture | None:
    """One figure of the loop over the runs of a robot; None where there is none."""
    found = next((t for t in at.trends if not t.call and t.statistic == statistic), None)
    if found is None or not found.values:
        return None
    values = [float(v) for v in found.values][-_MOST_RUNS:]
    entries = list(at.entries)[-_MOST_RUNS:]
    names = [text_in_plot(label(e.facts.name or e.name, 40)) for e in entries]
    versions = [text_in_plot(label(e.facts.version or "no version", 30)) for e in entries]
    odd = {o.entry: o for o in at.odd}
    marks = [WARN if e.name in odd else NEUTRAL for e in entries]
    symbols = ["x" if e.name in odd else "circle" for e in entries]
    data = [
        {
            "type": "scatter", "mode": "lines+markers", "x": list(range(1, len(values) + 1)),
            "y": values, "line": {"color": NEUTRAL, "width": 1.2},
            "marker": {"color": marks, "size": 8, "symbol": symbols},
            "customdata": [[n, v] for n, v in zip(names, versions, strict=True)],
            "hovertemplate": "run %{x}: %{y:.4g} " + found.unit
            + "<br>%{customdata[0]}<br>version %{customdata[1]}<extra></extra>",
        }
    ]  # fmt: skip
    drawn = layout(
        axis("run in the order of recording" if at.ordered else "run in the order of its name"),
        axis(f"{statistic} of the {at.quantity} ({found.unit})"), 300,
    )  # fmt: skip
    place = {e.name: k for k, e in enumerate(entries)}
    drawn["shapes"] = [
        {"type": "line", "x0": place[s.after_entry] + 0.5, "x1": place[s.after_entry] + 0.5,
         "y0": 0, "y1": 1, "yref": "paper", "line": {"color": MARK, "dash": "dash", "width": 2}}
        for s in found.steps if s.after_entry in place
    ]  # fmt: skip
    title = f"{len(values)} runs: the {statistic} of the {at.quantity} "
    if found.steps:
        step = found.steps[-1]
        title += (
            f"changed by {number(step.percent.value)} % at run {1 + place.get(step.after_entry, 0)}"
        )
    elif found.p_holm is not None and found.p_holm < 0.05:
        title += f"moves by {number(found.per_run_percent.value)} % a run"
    else:
        title += "shows no trend"
    rows = tuple((e.facts.name or e.name, e.facts.version or "", v, e.name in odd)
                 for e, v in zip(entries, values, strict=True))  # fmt: skip
    return Picture(
        f"season-{statistic}", title, {"data": data, "layout": drawn}, title + ".",
        ("run", "version", f"{statistic} {found.unit}", "odd one out"), rows,
        "One value a run. A change of level is found by penalised least squares, a trend by a "
        "straight line, both with the scatter between runs; a cross marks a run unlike its "
        "neighbours.",
    )  # fmt: skip
