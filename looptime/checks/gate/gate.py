"""The check before a competition: fixed limits, and regression against a baseline."""

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from typing import Any

from looptime.analysers.estimate import to_json
from looptime.checks.compare.change import Tolerance, in_words
from looptime.checks.compare.paces import SAME_RATE
from looptime.checks.compare.sides import (
    SAME_LENGTH,
    Item,
    Judged,
    Unlike,
    equalise,
    judged_quantity,
    once,
    opening_of,
    pacing_class,
    phase_advice,
    phases_alike,
    phases_text,
)
from looptime.checks.compare.starts import unlike_cuts
from looptime.checks.gate.limits import Row, limit_rows
from looptime.checks.gate.regression import regression_rows
from looptime.checks.recording.copies import copied
from looptime.checks.recording.facts import Facts
from looptime.checks.recording.figures import RunValues
from looptime.checks.recording.recording import Recording, Settings, content_hash
from looptime.checks.recording.scatter import LEAST_BASELINE
from looptime.checks.season.season import Season
from looptime.errors import UnlikePhasesError, UsageError
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import SCHEMA_VERSION
from looptime.words import count, listed, number, supposing

__all__ = ["GateResult", "choose_baseline", "gate"]

#: Baseline runs from which on the limits are sharp enough.
ADVISED_BASELINE = 8


@dataclass(frozen=True)
class GateResult:
    """What the gate found."""

    new: tuple[Facts, ...]  #: The new runs, as they were judged
    rows: tuple[Row, ...]  #: Limits first, then the regression of the loop, then of the calls
    baseline: tuple[Facts, ...]  #: Runs of the baseline
    checked: tuple[str, ...]  #: ``limits``, ``regression``: what was checked
    #: What a reader must know: odd baseline runs, unlike lengths, other calls.
    notes: tuple[str, ...]
    verdict: str  #: ``pass``, ``fail`` or ``can't tell``
    sentence: str  #: The verdict in words
    #: What "can't tell" counts as: ``pass``, ``fail``, or None for an exit code of its own.
    unsure: str | None = None
    #: Calls that only the new runs or the baseline hold, and where they are not; and those that
    #: are one under two names.
    other_calls: Mapping[str, str] = field(default_factory=dict)
    same_calls: tuple[str, ...] = ()
    left_out: str = ""  #: What of the season cannot be read, in words; among `notes`, too
    again: str = ""  #: Which runs of the baseline are copies of new ones, in words

    @property
    def exit_code(self) -> int:
        """0 for pass, 1 for fail, 3 for "can't tell" unless `unsure` says otherwise."""
        if self.verdict == "can't tell":
            return {"pass": 0, "fail": 1, None: 3}[self.unsure]
        return 1 if self.verdict == "fail" else 0

    @property
    def judged(self) -> tuple[int, int]:
        """Figures that pass or fail, and all that are listed."""
        return sum(row.verdict in ("pass", "fail") for row in self.rows), len(self.rows)

    @property
    def failed(self) -> list[Row]:
        """Rows that fail."""
        return [row for row in self.rows if row.verdict == "fail"]

    def to_dict(self) -> dict[str, Any]:
        """What ``gate --json`` gives."""
        return {
            "schema_version": SCHEMA_VERSION,
            "verdict": self.verdict,
            "sentence": self.sentence,
            "exit_code": self.exit_code,
            "unsure": self.unsure,
            "checked": list(self.checked),
            "judged": dict(zip(("figures", "of"), self.judged, strict=True)),
            "notes": list(self.notes),
            "rows": to_json(self.rows),
            "new": [_facts(f) for f in self.new],
            "baseline": [_facts(f) for f in self.baseline],
        }


def _facts(facts: Facts) -> dict[str, Any]:
    keys = ("source", "robot", "version", "label", "time", "judged", "loops", "duration_s")
    return {key: getattr(facts, key) for key in keys}


def gate(
    new: Sequence[Item],
    baseline: Sequence[Item] = (),
    *,
    limits: dict[str, Any] | None = None,
    tolerance: Tolerance | None = None,
    settings: Settings | None = None,
    unsure: str | None = None,
) -> GateResult:
    """Check new runs against fixed limits and against the runs of a baseline.

    Parameters
    ----------
    new : sequence of Run, Recording or RunValues
        One run, or several of the same code.
    baseline : sequence of RunValues (or Run, Recording)
        Runs of the accepted code on the same robot; with fewer than 5 only limits are checked.
    limits : dict, optional
        ``[limits]`` of the project file.
    tolerance : Tolerance, optional
        ``[regression]`` of the project file.
    settings : Settings, optional
        Budget and warm-up.
    unsure : str, optional
        What "can't tell" counts as: ``pass`` or ``fail``.

    Raises
    ------
    UsageError
        If there is no new run, a limit names an unknown call, or the baseline is of another
        robot, another pacing or another mix of phases.
    LogError
        If a new run has no loops left after the warm-up.
    """
    settings = Settings() if settings is None else settings
    tolerance = Tolerance() if tolerance is None else tolerance
    if unsure not in (None, "pass", "fail"):
        raise UsageError(f"--unsure takes pass or fail, not {unsure!r}")
    if not len(new):
        raise UsageError("there is no new log: name at least one")
    new, copies = once(new, settings)
    old, copied = _baseline(baseline, new, settings)
    copies += copied
    use = len(old) >= LEAST_BASELINE
    window = _window(old) if use else None
    runs = equalise([new], settings, window)[0]
    for run in runs:
        _refuse_unlike(run.facts, [*(r.facts for r in runs), *(r.facts for r in old)])
    rows, checked, notes = [], [], [u.text for u in copies]
    if limits:
        # limits hold for the whole of each new run, not for the common window
        whole = [equalise([[item]], settings)[0][0].values for item in new]
        rows += limit_rows(whole, limits)
        notes += dict.fromkeys(f"limits: {row.note}" for row in rows if row.missing)
        checked += ["limits"] if any(not row.missing for row in rows) else []
    if use:
        equal = _equal([*runs], old)
        found = regression_rows(runs, old, _quantity(runs, old), tolerance, equal)
        rows += found.rows
        notes += [*found.odd, *found.notes, *_about(runs, old, equal)]
        checked.append("regression")
    else:
        notes.append(_too_few(len(old)))
    again = "; ".join(u.text for u in copied if u.what == "same")
    made = replace(_result(runs, old, rows, checked, notes, unsure, again), again=again)
    if not use:
        return made
    return replace(made, other_calls=found.other_calls, same_calls=found.same_calls)


def _baseline(
    baseline: Sequence[Item], new: Sequence[Recording | RunValues], settings: Settings
) -> tuple[list[RunValues], list[Unlike]]:
    """The runs of the baseline, each once, and none that is a copy of a new one."""
    ready, copies = once(baseline, settings)
    if not ready:
        return [], copies
    found = [run.values for run in equalise([ready], settings)[0]]
    own = {opening_of(item) for item in new}
    kept = [values for values in found if opening_of(values) not in own]
    both = [values.facts.name for values in found if opening_of(values) in own]
    if both:
        said = copied(both, "a new run", whose=" of the baseline")
        copies.append(Unlike("same", f"{said}: left out, as nothing is checked against itself"))
    return kept, copies


def _window(baseline: Sequence[RunValues]) -> float:
    """The length to cut new runs to: the middle one of the baseline's [s]."""
    lengths = sorted(r.facts.duration_s for r in baseline)
    return lengths[len(lengths) // 2]


def _equal(new: Sequence[Judged], baseline: Sequence[RunValues]) -> bool:
    lengths = [r.facts.duration_s for r in (*(n.values for n in new), *baseline)]
    return max(lengths) <= (1 + SAME_LENGTH) * min(lengths)


def _quantity(new: Sequence[Judged], baseline: Sequence[RunValues]) -> str:
    return judged_quantity([*new, *(Judged(r, None, r.facts.duration_s) for r in baseline)])


def _too_few(count: int) -> str:
    there = {0: "are no baseline runs", 1: "is 1 baseline run"}.get(
        count, f"are {count} baseline runs"
    )
    need = f"at least {LEAST_BASELINE} are needed, {ADVISED_BASELINE} to 12 advised"
    return f"regression not checked: there {there}, {need}"


def _refuse_unlike(one: Facts, others: Sequence[Facts]) -> None:
    for other in others:
        if one.robot and other.robot and one.robot != other.robot:
            raise UsageError(
                f"{one.source} is of robot {one.robot!r}, {other.source} of {other.robot!r}:"
                " choose a baseline of the same robot"
            )
        if not phases_alike(one, other):
            advice = phase_advice(one, other).replace(
                "--phase", "--phase NAME, here and in looptime season add for the baseline"
            )
            raise UnlikePhasesError(
                f"{one.source} holds the phases {phases_text(one)}, {other.source} "
                f"{phases_text(other)}: {advice}", advice,
            )  # fmt: skip
        if _other_pacing(one, other):
            raise UsageError(
                f"{one.source} is paced as {_paced(one)!r}, {other.source} as {_paced(other)!r}:"
                " choose a baseline with the same pacing"
            )


def _paced(facts: Facts) -> str:
    rate = "" if facts.nominal_hz is None else f" {facts.nominal_hz:.4g} Hz"
    return pacing_class(facts) + (rate if facts.pacing_mode.startswith("fixed") else "")


def _other_pacing(a: Facts, b: Facts) -> bool:
    modes = {pacing_class(a), pacing_class(b)} - {"can't tell", ""}
    if len(modes) > 1:
        return True
    if modes != {"fixed rate"} or a.nominal_hz is None or b.nominal_hz is None:
        return False
    return abs(a.nominal_hz / b.nominal_hz - 1) > SAME_RATE


def _about(new: Sequence[Judged], baseline: Sequence[RunValues], equal: bool) -> list[str]:
    """What a reader must know of the two sides."""
    notes = []
    if len(baseline) < ADVISED_BASELINE:
        notes.append(f"{len(baseline)} baseline runs make wide limits: {ADVISED_BASELINE} to 12"
                     " are advised")  # fmt: skip
    if not equal:
        notes.append("the runs are of unlike lengths: the limits allow for the shorter window")
    mine = {c.name for r in new for c in r.values.calls}
    theirs = {c.name for r in baseline for c in r.calls}
    for names, text in (
        (mine - theirs, "not in the baseline"),
        (theirs - mine, "not in the new runs"),
    ):
        if names:
            shown = ", ".join(sorted(names)[:5]) + (" ..." if len(names) > 5 else "")
            notes.append(f"calls {text}: {shown}")
    if any(n.facts.robot is None for n in new) or any(r.facts.robot is None for r in baseline):
        notes.append("not every log names its robot: see that they are of the same one")
    if {n.facts.budget_ms for n in new} != {r.facts.budget_ms for r in baseline}:
        notes.append("budgets differ: overruns are not held against the baseline")
    if {n.facts.tick_ns for n in new} != {r.facts.tick_ns for r in baseline}:
        notes.append("the clocks tick unlike: quantiles are less sure")
    return notes + unlike_cuts([n.facts for n in new], [r.facts for r in baseline])


def _result(
    new: Sequence[Judged],
    baseline: Sequence[RunValues],
    rows: Sequence[Row],
    checked: Sequence[str],
    notes: Sequence[str],
    unsure: str | None,
    again: str,
) -> GateResult:
    unknown = next((r.facts.hides for r in new if r.facts.hides), "")
    unknown = unknown if "regression" in checked else ""
    vague = [row for row in rows if row.decides and row.verdict == "can't tell"]
    if any(row.verdict == "fail" for row in rows):
        verdict = "fail"
    elif vague or unknown or not checked:
        verdict = "can't tell"
    else:
        verdict = "pass"
    return GateResult(
        new=tuple(r.facts for r in new),
        rows=tuple(rows),
        baseline=tuple(r.facts for r in baseline),
        checked=tuple(checked),
        notes=tuple(notes),
        verdict=verdict,
        sentence=supposing(
            _sentence(verdict, rows, checked, unknown, unsure, len(baseline), again),
            [one.facts.supposed for one in (*(r.values for r in new), *baseline)],
        ),
        unsure=unsure,
    )


def _sentence(
    verdict: str, rows: Sequence[Row], checked: Sequence[str], unknown: str, unsure: str | None,
    runs: int, again: str,
) -> str:  # fmt: skip
    absent = listed(list(dict.fromkeys(row.call for row in rows if row.missing)), 4)
    absent = f"no run holds {absent}, which [limits] names" if absent else ""
    rest = f"; {absent}" if absent else ""
    if "regression" not in checked:
        few = f"{count(runs, 'baseline run')} of {LEAST_BASELINE} that it needs"
        why = "; ".join([*([few] if runs or again else []), *([again] if again else [])])
        rest += "; regression not checked" + (f" ({why})" if why else "")
    if verdict == "fail":
        return f"FAIL: {_failed(rows)}{rest}."
    counts = f"; counted as {unsure} by --unsure" if unsure else ""
    if not checked:
        todo = "state [limits] in looptime.toml, or mark runs with looptime season baseline QUERY"
        short = f"{LEAST_BASELINE} baseline runs" + (f" ({again})" if again else "")
        limits = f"{absent}, and there are not" if absent else "there are neither limits nor"
        return f"CAN'T TELL: {limits} {short}{counts}: {todo}."
    if verdict == "can't tell" and unknown:
        return f"CAN'T TELL, {unknown}{counts}."
    if verdict == "can't tell":
        vague = [row for row in rows if row.decides and row.verdict == "can't tell"]
        shown = ", ".join(row.what for row in vague[:4])
        return f"CAN'T TELL: not enough evidence on {shown}{counts}{rest}."
    done = sum(row.verdict in ("pass", "fail") for row in rows)
    word = "PASS" if done == len(rows) else f"PASS as far as judged ({done} of {len(rows)} figures)"
    mean = next((r for r in rows if r.check == "regression" and r.statistic == "mean"), None)
    if mean is None or mean.seen_percent is None:
        return f"{word}: within all limits{rest}."
    if mean.p_holm is not None and mean.note.startswith("slower"):
        over = in_words(mean.change_percent or 0.0, "+")
        return (
            f"{word}: {mean.what} {over} % over the baseline, beyond its range"
            f" but within the tolerance{rest}."
        )
    if mean.note.startswith("at most"):
        return (
            f"{word}: {mean.what} {in_words(mean.change_percent or 0.0, '+')} %, {mean.note}:"
            f" not slower than the tolerance allows{rest}."
        )
    return (
        f"{word}: within the range of the baseline; a change of {in_words(mean.seen_percent)} % of"
        f" the {mean.what} would have been seen{rest}."
    )


def _failed(rows: Sequence[Row]) -> str:
    """What fails: the loop's figures, and the calls that got slower, by what they cost the loop."""
    bad = [row for row in rows if row.verdict == "fail"]
    slower = sorted(
        (row for row in bad if row.call and row.check == "regression" and row.statistic == "mean"),
        key=lambda row: -(row.change_ms or 0.0),
    )
    whole = list(dict.fromkeys(row.what for row in bad if not row.call))
    if not whole or not slower:
        return f"{listed(list(dict.fromkeys(row.what for row in bad)), 4)} beyond the limit"
    count = len(whole) - 1
    others = f" and {count} more of the loop's figures" if count > 1 else ""
    told = whole[:1] if others else whole
    new = [row for row in slower if row.change_percent is None]
    what = (
        "new calls" if len(new) == len(slower) else "new or slower calls" if new else "slower calls"
    )
    return f"{listed(told)}{others} beyond the limit; {what}: {listed([*map(_grown, slower)])}"


def _grown(row: Row) -> str:
    """A call and by how much it got slower; one that the baseline lacks has nothing to be so by."""
    if row.change_percent is None:
        return f"{row.call} (new, {number(row.value)} ms a loop)"
    return f"{row.call} ({in_words(row.change_percent, '+')} %)"


def choose_baseline(
    season: Season, new: Sequence[Item], query: str | None = None, robot: str | None = None
) -> list[RunValues]:
    """The baseline runs of a season for some new runs.

    Without a query: the runs marked as baseline, those of the same robot where there are any.
    New runs that are among them are left out by `gate`, which says so; here where they were stored
    without what tells copies apart.

    Raises
    ------
    UsageError
        If the query names nothing.
    """
    listed = season.select(query) if query else [e for e in season.entries() if e.baseline]
    runs = [item.run for item in new if isinstance(item, Recording)]
    runs += [item for item in new if isinstance(item, Run)]
    own = {content_hash(run) for run in runs}
    listed = [e for e in listed if e.facts.opening or e.name not in own]
    if not query:
        named = [robot, *(r.meta.get("robot") for r in runs)]
        named += [item.facts.robot for item in new if isinstance(item, RunValues)]
        wanted = next((name for name in named if name), None)
        listed = [e for e in listed if wanted is None or e.facts.robot in (wanted, None)] or listed
    return [season.load(e.name, histograms=False).values for e in listed]
