"""Planted rules by which a call recurs: how often the rule and its value are told, and when not.

``python -m tests.benchmarks.recurring [--replicates N] [--seconds S] [--recordings FOLDER]``

Loops of 5 to 60 ms with autocorrelation and pauses; a call is made, or a call of every loop takes
long, by a rule that is checked once a loop. ``wrong`` must be 0. With a folder of recordings, the
rules told of each are printed.
"""

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.call_costs import costs
from looptime.analysers.recurs import Recurrences, recurs
from looptime.analysers.slow import slow_events
from looptime.findings.about import how_often
from looptime.questions import Asked, summary
from looptime.run import Run
from tests.build_run import make_flat_run

Float = NDArray[np.float64]
CLOCKS = ("since start", "since end", "timetable")


@dataclass(frozen=True)
class Case:
    """A rule and its value [loops or ms], the loop's base period [ms] and how much it varies.

    With `turns`, a call of every loop takes long by the rule; `first` puts the call first in the
    loop; `other` is a second rule beside it; `length_sd` is how much the call's length varies.
    """

    rule: str
    value: float
    base: float
    varies: float = 0.06
    turns: bool = False
    first: bool = False
    other: tuple[str, float] | None = None
    length_sd: float = 0.25


CASES = (
    Case("since start", 100, 20), Case("since start", 100, 10), Case("since start", 100, 5),
    Case("since start", 100, 60), Case("since start", 250, 17), Case("since start", 1000, 20),
    Case("since start", 100, 17, first=True), Case("since start", 100, 17, varies=0.005),
    Case("since start", 100, 17, turns=True), Case("since start", 130, 17, length_sd=0.02),
    Case("since start", 100, 17, other=("since start", 250)),
    Case("since start", 100, 17, other=("loops", 4)),
    Case("since start", 4000, 10, turns=True),
    Case("since end", 100, 17), Case("since end", 250, 10), Case("since end", 97, 7),
    Case("timetable", 100, 17), Case("timetable", 250, 10), Case("timetable", 1000, 20),
    Case("timetable", 500, 17, turns=True),
    Case("loops", 5, 20), Case("loops", 6, 17), Case("loops", 10, 10), Case("loops", 50, 20),
    Case("loops", 4, 17), Case("loops", 6, 17, varies=0.02), Case("loops", 20, 17, turns=True),
    Case("loops", 5, 20, other=("loops", 7)),
    Case("chance", 100, 17), Case("chance", 1000, 17), Case("chance", 1000, 17, turns=True),
)  # fmt: skip


def _due(rng: np.random.Generator, rule: str, value: float) -> Callable[[int, float, float], bool]:
    """Whether a rule fires in loop k at a time, the call's length there being given."""
    last, due = -rng.random() * value, rng.random() * value
    phase = int(rng.integers(max(int(value), 1)))

    def fires(k: int, now: float, length: float) -> bool:
        nonlocal last, due
        if rule == "loops":
            return bool(k % int(value) == phase)
        if rule == "chance":
            return bool(rng.random() < 17 / value)
        hit = now >= due if rule == "timetable" else now - last >= value
        if hit:
            last = now + (length if rule == "since end" else 0.0)
            due += value * (1 + (now - due) // value)
        return bool(hit)

    return fires


def planted(rng: np.random.Generator, case: Case, span_s: float = 60.0) -> Run:
    """A run of calls read, encoders and write, and `send` or long turns of `write` by a rule."""
    n = int(span_s * 1000 / case.base)
    slow: Float = lfilter([1], [1, -0.5], rng.normal(0, 0.86, n))
    work = case.base * np.exp(rng.normal(0, case.varies / 2, n) + case.varies * slow)
    pauses = rng.integers(0, n, rng.poisson(span_s / 4))
    work[pauses] += rng.lognormal(np.log(9), 0.3, len(pauses))
    lengths = 0.3 * case.base * rng.lognormal(0, case.length_sd, (2, n))
    rules = [_due(rng, case.rule, case.value)]
    if case.other:
        rules.append(_due(rng, case.other[0], case.other[1]))
    took, now = np.full((2, n), -1.0), 0.0
    for k in range(n):
        at = now + (0.0 if case.first else 0.85 * work[k])
        for j, fires in enumerate(rules):
            if fires(k, at, lengths[j, k]):
                took[j, k] = lengths[j, k]
                at += lengths[j, k]
        now += work[k] + float(np.maximum(took[:, k], 0).sum())
    calls = {"read": 0.3 * work, "encoders": 0.35 * work, "write": 0.2 * work}
    if case.turns:
        calls["write"] = calls["write"] + np.maximum(took[0], 0)
    elif case.first:
        calls = {"send": took[0], **calls}
    else:
        calls["send"] = took[0]
    if case.other:
        calls["flush"] = took[1]
    period = work + np.maximum(took, 0).sum(axis=0)
    return make_flat_run(
        (period * 1e6).astype(np.int64), {k: (v * 1e6).astype(np.int64) for k, v in calls.items()}
    )


def told(run: Run) -> Recurrences:
    """What is told of a run."""
    basis = prepare(run)
    slow = slow_events(basis)
    return recurs(basis, costs(basis, slow.is_slow), slow)


def judged(case: Case, run: Run) -> tuple[str, bool]:
    """How the rule was told: right, open (can't tell), none or wrong; and whether its value was."""
    name = "write" if case.turns else "send"
    mine = [r for r in told(run).found if r.call == name]
    if not mine:
        return ("right" if case.rule == "chance" else "none"), case.rule == "chance"
    (only,) = mine[:1]
    value = only.every_loops if case.rule == "loops" else only.every_ms
    near = value is not None and abs(value / case.value - 1) < 0.02
    if case.rule == "chance":
        return ("open" if only.mechanism == "unknown" else "wrong"), False
    if only.mechanism == "unknown":
        return "open", near
    return ("right" if only.mechanism == case.rule else "wrong"), near


def of_recordings(folder: Path) -> None:
    """Print the rules told of each recording."""
    for path in sorted(folder.glob("*.csv*")):
        for run in looptime.read_log(path).runs:
            for at in summary(Asked(), run):
                found = [*at.recurrence.most, *at.recurrence.threads]
                for r in found:
                    who = r.call or " with ".join(r.together) or "the loop"
                    print(f"{path.name:<28} {who:<24} {r.count:>5} times {how_often(r)}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=8)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--recordings", type=Path)
    asked = parser.parse_args()
    rng, every = np.random.default_rng(asked.seed), Counter[str]()
    for case in CASES:
        count = Counter[str]()
        for _ in range(asked.replicates):
            how, near = judged(case, planted(rng, case, asked.seconds))
            count[how] += 1
            count["value"] += near
        every += count
        shown = "  ".join(f"{k} {count[k]}" for k in ("right", "open", "none", "wrong", "value"))
        print(f"{case.rule:<12} {case.value:>5g}  {shown}   {case}")
    print(f"all {len(CASES) * asked.replicates} logs: {dict(every)}")
    if asked.recordings:
        of_recordings(asked.recordings)


if __name__ == "__main__":
    main()
