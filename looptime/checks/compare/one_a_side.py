"""One run against one run: do these two recordings differ? Nothing here speaks about the code."""

import math
from dataclasses import replace

from looptime.analysers.estimate import Figure
from looptime.checks.compare.change import Change, seen_percent
from looptime.checks.compare.like_calls import LikeCalls
from looptime.checks.compare.sides import Judged, per_loops, per_loops_note, times_of
from looptime.checks.recording.figures import Value, shown_statistics
from looptime.checks.recording.recording import Part, rest_part
from looptime.errors import NotEnoughError
from looptime.stats.counts import rare_upper_bound
from looptime.stats.dither import TOO_COARSE
from looptime.stats.jackknife import Estimate
from looptime.stats.statistic import required_loops
from looptime.stats.student import t_quantile
from looptime.stats.twosample import Difference, compare_recordings, difference, usual_scatter

__all__ = [
    "assumed",
    "call_changes",
    "call_scatter_percent",
    "estimate",
    "run_changes",
    "scatter_percent",
]

#: Run-to-run standard deviation that is assumed where there is no history: of runs within so many
#: seconds, and of others. Days may be 1 to 3 % apart; at 3 % the latter's limit is passed by one
#: pair in twenty.
ASSUMED_SD, _A_DAY_S, _OF_DAYS_SD = 0.01, 43_200.0, 0.02


def estimate(value: Value) -> Estimate:
    """A stored figure as the statistics take it; a rate is treated like a mean."""
    df = 18 if value.drifting else 19
    se = value.se or 0.0
    half = t_quantile(0.975, df) * se
    name = "mean" if value.statistic == "rate" else value.statistic
    at = value.judged
    enough = value.enough and value.se is not None
    return Estimate(
        name, at, se, df, at - half, at + half, value.drifting, value.n, enough, value.wander
    )


def _change(quantity: str, statistic: str, d: Difference) -> Change:
    """The difference of two recordings as a change; times in ms."""
    base = d.a
    relative = None
    if base and d.low is not None and d.high is not None:
        relative = (100 * d.low / abs(base), 100 * d.high / abs(base))
    note = d.refused
    if d.exceedance is not None and d.p is not None:
        e = d.exceedance
        note = (
            f"loops above {e.threshold:.4g} ms: {100 * e.share_a:.2f} % -> {100 * e.share_b:.2f} %"
        )
    if d.drifting and not d.refused:
        note = "; ".join(
            [
                *([note] if note else []),
                "it drifts within a recording: the interval is wider for it",
            ]
        )
    if d.low is not None and d.high is not None and not d.low <= d.difference <= d.high:
        note = "; ".join([*([note] if note else []), "interval of values freed from the tick"])
    seen = None if d.p is None else seen_percent(_known(statistic), d.se, d.df, base)
    return Change(
        quantity=quantity,
        statistic=statistic,
        before=d.a,
        after=d.b,
        difference=Figure(d.difference, d.low, d.high),
        percent=Figure(d.percent, *(relative or (None, None))),
        p=d.p,
        seen_percent=seen,
        note=note,
    )


def _known(statistic: str) -> str:
    return "mean" if statistic == "rate" else statistic


def _overruns(d: Difference, n_a: int, n_b: int) -> Change:
    """Overruns as counts, compared per loop: `d` holds shares."""
    made = _change("period", "overruns", d)
    counts = d.counts or (round(d.a * n_a), round(d.b * n_b))
    both = zip(counts, (n_a, n_b), strict=True)
    sides = [[Value("period", "overruns", k, k, None, n)] for k, n in both]
    per_loop = per_loops_note(sides)
    more = (d.b - d.a) * n_b if per_loop else float(counts[1] - counts[0])
    low, high = (None if v is None else v * n_b for v in (d.low, d.high))
    percent = Figure(
        None if not d.a else 100 * (d.b / d.a - 1),
        None if not d.a or d.low is None else max(100 * d.low / d.a, -100.0),
        None if not d.a or d.high is None else 100 * d.high / d.a,
    )
    note = made.note if d.refused else per_loop
    if not sum(counts):
        bound = 100 * rare_upper_bound(min(n_a, n_b))
        note = f"none on either side: below {bound:.3g} % of loops, if loops are independent"
    elif sum(counts) < 10 and d.p is not None:
        note = "few: exact test, which assumes independent loops"
    return replace(
        made, before=float(counts[0]), after=float(counts[1]),
        before_share=counts[0] / n_a, after_share=counts[1] / n_b,
        difference=Figure(more, low, high), percent=percent, note=note,
    )  # fmt: skip


def _tick_ms(a: Judged, b: Judged) -> float:
    tick = max(a.facts.tick_ns, b.facts.tick_ns)
    return tick / 1e6 if tick > 1 else 0.0


def run_changes(a: Judged, b: Judged, quantity: str) -> list[Change]:
    """Every figure of the whole loop, before and after; verdicts are not yet given."""
    loops = min(a.facts.loops, b.facts.loops)
    names = [s for s in shown_statistics(loops) if s not in ("overruns", "rate")]
    out = []
    if a.series is not None and b.series is not None and _long(a, b):
        xa, xb = a.series.ms(quantity), b.series.ms(quantity)
        found = compare_recordings(xa, xb, names, _tick_ms(a, b))
        out = [_change(quantity, s, found[s]) for s in names]
        budget = b.facts.budget_ms
        if budget is not None:
            pa, pb = a.series.period_ns / 1e6, b.series.period_ns / 1e6
            over = compare_recordings(pa, pb, ["overruns"], budget=budget)["overruns"]
            out.append(_overruns(over, len(pa), len(pb)))
    else:
        if a.facts.budget_ms == b.facts.budget_ms:
            names.append("overruns")
        out = [c for s in names if (c := _stored_change(a, b, s, quantity)) is not None]
    rate = _stored_change(a, b, "rate", "period")
    return [*out, rate] if rate is not None else out


def _long(a: Judged, b: Judged) -> bool:
    return min(a.facts.loops, b.facts.loops) >= 40


def _stored_change(a: Judged, b: Judged, statistic: str, quantity: str) -> Change | None:
    """From the figures alone: by the jackknife errors, also for p99."""
    va, vb = (run.values.get(statistic, quantity) for run in (a, b))
    if va is None or vb is None:
        return None
    return _from_values(va, vb, quantity, statistic)


def _from_values(raw_a: Value, raw_b: Value, quantity: str, statistic: str) -> Change:
    va, vb = (per_loops(v, min(raw_a.n, raw_b.n)) for v in (raw_a, raw_b))
    found = difference(estimate(va), estimate(vb))
    refused = found.refused
    if not refused and (va.se is None or vb.se is None):
        refused = f"{statistic} needs {required_loops(_known(statistic)):,} loops on each side"
    if any(TOO_COARSE in v.refused for v in (va, vb)):
        refused = TOO_COARSE
    d = vb.value - va.value
    found = replace(
        found, a=va.value, b=vb.value, difference=d, refused=refused,
        percent=100 * d / va.value if va.value else None, p=None if refused else found.p,
    )  # fmt: skip
    made = _change(quantity, statistic, found)
    note = "; ".join(filter(None, (made.note, per_loops_note([[raw_a], [raw_b]]))))
    return replace(made, before=raw_a.value, after=raw_b.value, note=note)


def call_changes(like: LikeCalls) -> list[Change]:
    """Mean and p99 of the self time per loop of every call that can be judged."""
    out = []
    (a,), (b,) = like.before, like.after
    with_loops = a.series is not None and b.series is not None and _long(a, b)
    parts = [{p.key: p for p in _all_parts(run)} for run in (a, b)]
    for call in like.calls:
        if with_loops:
            xa, xb = (side[call.key].self_ns / 1e6 for side in parts)
            found = compare_recordings(xa, xb, call.statistics, _tick_ms(a, b))
            made = [_change("self time", s, found[s]) for s in call.statistics]
        else:
            ca, cb = (run.values.call[call.key] for run in (a, b))
            pairs = [(getattr(ca, s), getattr(cb, s)) for s in call.statistics]
            made = [_from_values(va, vb, "self time", va.statistic) for va, vb in pairs]
        out += [call.named(c) for c in made]
    return out


def _all_parts(run: Judged) -> list[Part]:
    return [] if run.series is None else [*run.series.parts, rest_part(run.series)]


def call_scatter_percent(a: Judged, b: Judged, change: Change) -> float | None:
    """As `scatter_percent`, for a figure of one call."""
    key = (change.call, change.thread)
    calls = [run.values.call.get(key) for run in (a, b)]
    if None in calls:
        return None
    va, vb = (getattr(call, change.statistic) for call in calls)
    return _scatter_percent(va, vb, assumed(a, b)[0])


def assumed(a: Judged, b: Judged) -> tuple[float, str]:
    """Standard deviation between two runs that is assumed, and what it rests on."""
    times = times_of([a, b])
    if times is not None and abs(times[1] - times[0]) <= _A_DAY_S:
        return ASSUMED_SD, "an assumed 1 % run-to-run sd"
    why = "no times say that it was one day" if times is None else "as days differ"
    return _OF_DAYS_SD, f"an assumed 2 % run-to-run sd, {why}"


def scatter_percent(a: Judged, b: Judged, statistic: str, quantity: str) -> float | None:
    """What ordinary scatter between runs explains at 95 %, if its sd is as `assumed` [percent].

    None for overruns and rates, and where a figure is 0.
    """
    va, vb = (run.values.get(statistic, quantity) for run in (a, b))
    if va is None or vb is None or statistic in ("overruns", "rate"):
        return None
    return _scatter_percent(va, vb, assumed(a, b)[0])


def _scatter_percent(va: Value, vb: Value, sd: float) -> float | None:
    try:
        limit = usual_scatter(estimate(va), estimate(vb), sd).limit
    except NotEnoughError:
        return None
    return 100 * math.expm1(limit)
