"""New runs against the runs of a baseline: prediction limits, and both tolerances."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace

import numpy as np

from looptime.array_types import Float
from looptime.checks.compare.change import Tolerance, in_words
from looptime.checks.compare.like_calls import LikeCall, like_calls
from looptime.checks.compare.sides import Judged, lifted, per_loops, scale
from looptime.checks.gate.limits import Row
from looptime.checks.recording.figures import (
    RunValues,
    Value,
    average,
    shown_statistics,
    without_base,
)
from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.stats.between_runs import compare_runs
from looptime.stats.counts import too_rare_to_gate
from looptime.stats.multiple import holm
from looptime.stats.prediction_limits import (
    Screened,
    extra_variance,
    prediction_limit,
    screen_baseline,
)
from looptime.stats.student import t_one_sided, t_quantile
from looptime.words import listed

__all__ = ["Regression", "regression_rows"]

#: Figures whose "can't tell" is one of the gate. The tail is noisy by nature: that of p95 and
#: beyond, of overruns and of single calls is shown, and does not block.
DECIDING = ("mean", "median")
_TITLES = {"worst1": "worst 1 % mean", "worst5": "worst 5 % mean"}
_PICK = Callable[[RunValues], "Value | None"]
#: Stands for the whole loop among the calls.
_LOOP = LikeCall("", "", ())


@dataclass(frozen=True)
class Regression:
    """The rows of the regression check and what was said about the baseline."""

    rows: tuple[Row, ...]
    #: Baseline runs that were left out or stood out, with the figure in which they did.
    odd: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    #: Calls that stand on one side only, and where not; those that are one at the same cost.
    other_calls: Mapping[str, str] = field(default_factory=dict)
    same_calls: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Setting:
    new: Sequence[Judged]
    baseline: Sequence[RunValues]
    tolerance: Tolerance
    loops: int  #: Of the shortest new run, by which counts are compared
    equal: bool


@dataclass(frozen=True)
class _Test:
    """A figure of the new runs on its scale, before its family is known."""

    row: Row
    mean: float = 0.0
    se: float = 0.0
    df: float = 0.0
    value: float = 0.0
    odd: tuple[int, ...] = ()
    count: bool = False
    call: LikeCall = _LOOP


def regression_rows(
    new: Sequence[Judged],
    baseline: Sequence[RunValues],
    quantity: str,
    tolerance: Tolerance,
    equal: bool = True,
) -> Regression:
    """One row a figure of the loop, and two a call.

    The mean is judged by itself; the other figures of the loop are one family, the calls
    another (Holm, one-sided). A row fails if it is beyond its limit and above both tolerances.

    Parameters
    ----------
    new : sequence of Judged
        New runs, cut to the window of the baseline.
    baseline : sequence of RunValues
        5 runs or more.
    quantity : str
        ``work`` or ``period``.
    tolerance : Tolerance
        Both tolerances and the confidence.
    equal : bool
        Whether all windows are alike; if not, the new runs' own variance is allowed for.
    """
    facts = [run.facts for run in (*(n.values for n in new), *baseline)]
    loops, budgets = min(f.loops for f in facts), {f.budget_ms for f in facts}
    shortest = min(run.values.facts.loops for run in new)
    at = _Setting(new, baseline, tolerance, shortest, equal)
    whole = [
        test
        for s in shown_statistics(loops)
        if s != "rate"
        and (s != "overruns" or len(budgets) == 1)
        and (test := _test(at, _picker(s, quantity), _title(s, quantity), s)) is not None
    ]
    mean = [t for t in whole if t.row.statistic == "mean"]
    others = [t for t in whole if t.row.statistic != "mean"]
    calls = []
    old = [Judged(r, None, r.facts.duration_s) for r in baseline]
    like = like_calls(old, new, quantity)
    held = replace(at, new=like.after, baseline=[run.values for run in like.before])
    for call in like.calls:
        calls += _call_tests(held, call)
    rows = [*_family(mean, at), *_family(others, at), *_family(calls, at)]
    other = _other_calls([r.values for r in new], baseline)
    rows += _not_comparable(other, like.calls)
    same = {key for call in like.calls if len(call.held) > 1 for key in call.held}
    unlike = {name: note for (name, thread), note in other.items() if (name, thread) not in same}
    joined = [" and ".join(name for name, _ in c.held) for c in like.calls if len(c.held) > 1]
    odd = _odd_runs([*whole, *calls], baseline)
    return Regression(tuple(rows), tuple(odd), (), unlike, tuple(joined))


def _call_tests(at: _Setting, call: LikeCall) -> list[_Test]:
    out = []
    for s in call.statistics:
        what = f"{call.name} {s}" + (f" ({call.thread})" if call.thread else "")
        test = _test(at, _call_picker(call.key, s), what, s, call)
        out += [] if test is None else [test]
    return out


def _other_calls(
    new: Sequence[RunValues], baseline: Sequence[RunValues]
) -> dict[tuple[str, str], str]:
    """Calls that only the new runs, or only the baseline, hold in every run, and where not."""
    sides = [
        set.intersection(*({c.key for c in r.calls} for r in side)) for side in (new, baseline)
    ]
    names = [{name for name, _ in keys} for keys in sides]
    out = {}
    for mine, theirs, where in ((0, 1, "baseline"), (1, 0, "new runs")):
        for name, thread in sorted(sides[mine] - sides[theirs]):
            moved = name in names[theirs]
            out[name, thread] = f"on another thread in the {where}" if moved else (
                f"not timed in the {where}"
            )  # fmt: skip
    return out


def _not_comparable(other: Mapping[tuple[str, str], str], like: Sequence[LikeCall]) -> list[Row]:
    """Those of the other calls that nothing is said about."""
    told = {key for call in like for key in call.held}
    return [
        Row("regression", f"{name} mean" + (f" ({thread})" if thread else ""), "mean", name,
            verdict="not comparable", decides=False, note=note)
        for (name, thread), note in other.items()
        if (name, thread) not in told
    ]  # fmt: skip


def _title(statistic: str, quantity: str) -> str:
    if statistic == "overruns":
        return "overruns"
    return f"{quantity} {_TITLES.get(statistic, statistic)}"


def _picker(statistic: str, quantity: str) -> _PICK:
    return lambda run: run.get(statistic, quantity)


def _call_picker(key: tuple[str, str], statistic: str) -> _PICK:
    return lambda run: run.call[key].p99 if statistic == "p99" else run.call[key].mean


def _test(
    at: _Setting, pick: _PICK, what: str, statistic: str, call: LikeCall = _LOOP
) -> _Test | None:
    """The test of one figure; None where a run does not have it."""
    new = [v for run in at.new if (v := pick(run.values)) is not None]
    old = [v for run in at.baseline if (v := pick(run)) is not None]
    if len(new) < len(at.new) or len(old) < len(at.baseline):
        return None
    return _tested(at, new, old, what, statistic, call)


def _tested(
    at: _Setting, new: list[Value], old: list[Value], what: str, statistic: str, call: LikeCall
) -> _Test:
    count = statistic == "overruns"
    new = [per_loops(v, at.loops) for v in new]
    blank = Row(
        "regression", what, statistic, call.name, average(new), unit="loops" if count else "ms",
        verdict="not judged", decides=not call.name and statistic in DECIDING,
    )  # fmt: skip
    short = [v for v in new if not v.enough]
    if short:
        # without the mean nothing at all is judged
        verdict = "can't tell" if statistic == "mean" and not call.name else "not judged"
        note = min(short, key=lambda v: v.n).refused
        return _Test(replace(blank, verdict=verdict, note=note))
    if count and too_rare_to_gate([round(v.value) for v in old]):
        return _Test(replace(blank, note="too rare to gate: fewer than 3 a run in the baseline"))
    new, old = lifted(new, call.base), lifted(old, call.base)
    try:
        y_new, y_old = scale(new, at.loops), scale(old, at.loops)
    except NotEnoughError:
        return _Test(replace(blank, note="0 in most loops: its mean is judged"))
    screened = screen_baseline(y_old)
    odd = tuple(int(k) for k in screened.odd)
    if not screened.usable:
        note = f"baseline not usable: {len(odd)} of {len(y_old)} runs are unlike the others"
        return _Test(replace(blank, verdict="can't tell", note=note), odd=odd)
    kept = y_old[screened.kept]
    mean, se, df = _prediction(y_new, kept, _extra(at, new, old, screened))
    value = float(y_new.mean())
    p = t_one_sided((value - mean) / se, df) if se > 0 else float(value <= mean)
    return _Test(replace(blank, p=p), mean, se, df, value, odd, count, call)


def _extra(at: _Setting, new: list[Value], old: list[Value], screened: Screened) -> float:
    """Variance to allow for where windows are unlike."""
    if at.equal:
        return 0.0
    kept = [v for v, keep in zip(old, screened.kept, strict=True) if keep]
    mine = float(np.mean([_relative_variance(v) for v in new]))
    return extra_variance(mine, [_relative_variance(v) for v in kept])


def _relative_variance(value: Value) -> float:
    """Within-run variance on the scale of `looptime.checks.compare.sides.scale`."""
    if value.se is None:
        return 0.0
    if value.statistic == "overruns":
        return value.se**2 / (4 * (value.judged + 0.375))
    return (value.se / value.judged) ** 2 if value.judged else 0.0


def _prediction(new: Float, kept: Float, extra: float) -> tuple[float, float, float]:
    """Mean of the baseline, error of the prediction of the new mean, degrees of freedom."""
    if len(new) == 1:
        found = prediction_limit(float(new[0]), kept, extra=extra)
        return found.mean, found.se, float(found.runs - 1)
    moderated = compare_runs(kept, new)
    return float(kept.mean()), math.sqrt(moderated.se**2 + extra / len(new)), float(moderated.df)


def _family(tests: Sequence[_Test], at: _Setting) -> list[Row]:
    """Verdicts of a family; each row's limit is that of its place in Holm's order."""
    tested = [t for t in tests if t.row.p is not None]
    p = np.array([t.row.p for t in tested], np.float64)
    adjusted = holm(p)
    place = np.argsort(np.argsort(p, kind="stable"), kind="stable")
    out = {
        id(t): _judged(t, float(q), at.tolerance, at.tolerance.alpha / (len(tested) - int(k)))
        for t, q, k in zip(tested, adjusted, place, strict=True)
    }
    rows = [(t.call, out.get(id(t), t.row)) for t in tests]
    return [replace(row, note=call.noted(row.note)) for call, row in rows]


@dataclass(frozen=True)
class _Size:
    """A change and what bounds it, in loops or ms."""

    base: float  #: Level of the baseline
    limit: float
    change: float
    seen: float
    most: float

    def percent(self, of: float) -> float | None:
        """In percent of the baseline; None of nothing."""
        return 100 * of / self.base if self.base else None


def _size(test: _Test, t: float) -> _Size:
    seen = (t + t_quantile(0.80, test.df)) * test.se
    if test.count:
        base = max(test.mean**2 - 0.375, 0.0)
        ends = (test.mean + t * test.se, test.value, test.mean + seen, test.value + t * test.se)
        limit, *more = (max(end, 0.0) ** 2 - 0.375 for end in ends)
        return _Size(base, limit, *(at - base for at in more))
    level = math.exp(test.mean)
    base = without_base(level, test.call.base)
    ends = (t * test.se, test.value - test.mean, seen, test.value - test.mean + t * test.se)
    over, *more = (level * math.expm1(end) for end in ends)
    return _Size(base, base + over, *more)


def _judged(test: _Test, p_holm: float, tolerance: Tolerance, alpha: float) -> Row:
    size = _size(test, t_quantile(1 - alpha, test.df))
    percent, seen_percent, most_percent = map(size.percent, (size.change, size.seen, size.most))
    change_ms, seen_ms, most_ms = (None,) * 3 if test.count else (size.change, size.seen, size.most)
    # a row fails beyond the baseline's range and above both tolerances: that is its limit
    limit = max(size.limit, size.base * (1 + tolerance.percent / 100))
    limit = limit if test.count else max(limit, size.base + tolerance.ms)
    row = replace(
        test.row, limit=limit, p_holm=p_holm, change_percent=percent, change_ms=change_ms,
        seen_percent=seen_percent, most_percent=most_percent,
    )  # fmt: skip
    beyond = p_holm < tolerance.alpha
    if beyond and tolerance.exceeded(percent, change_ms):
        return replace(row, verdict="fail", note=f"slower than the baseline range (p {p_holm:.2g})")
    if beyond:
        return replace(row, verdict="pass", note="slower than the baseline range, but within the"
                       " tolerance")  # fmt: skip
    if seen_percent is None and seen_ms is None:
        return replace(row, verdict="pass", note="within the range")
    least = f"{seen_ms:.3g} ms" if seen_percent is None else f"{in_words(seen_percent)} %"
    what = f"within the range; a change of {least} would have been seen"
    if tolerance.exceeded(seen_percent, seen_ms):
        if not tolerance.exceeded(most_percent, most_ms) or size.most <= 0:
            up_to = (
                f"{most_ms:+.3g} ms" if most_percent is None else f"{in_words(most_percent, '+')} %"
            )
            return replace(row, verdict="pass", note=f"at most {up_to} against the baseline")
        return replace(row, verdict="can't tell", note=what.replace("a change", "only a change"))
    return replace(row, verdict="pass", note=what)


def _odd_runs(tests: Sequence[_Test], baseline: Sequence[RunValues]) -> list[str]:
    """Baseline runs that were screened out or stood out, each with its figures."""
    found: dict[int, list[str]] = {}
    for test in tests:
        for k in test.odd:
            found.setdefault(k, []).append(test.row.what)
    action = "left out of the limits" if len(baseline) >= 8 else "kept: fewer than 8 runs"
    out = []
    for k, figures in sorted(found.items()):
        name = baseline[k].facts.name
        out.append(f"{name} is unlike the other baseline runs in {listed(figures)} ({action})")
    return out
