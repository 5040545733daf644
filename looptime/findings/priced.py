"""Findings with what the planner predicts in place of an upper bound."""

from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

from looptime.findings.about import ms
from looptime.findings.finding import Finding
from looptime.findings.referee import objections
from looptime.planner.changes import parse
from looptime.planner.search.suggest import Proposal, Suggestions
from looptime.words import named

__all__ = ["remedy_of", "with_predictions"]

_RISKS = ("low", "medium", "high")
#: Findings to which only some kinds of change are an answer.
_ANSWERS = {
    "batch_reads": ("batch",),
    "many_writes": ("on-change", "batch"),
    "thread_wait": ("rest", "move", "unthread"),
}


def with_predictions(
    findings: Sequence[Finding], found: Suggestions, names: Sequence[str] = ()
) -> tuple[Finding, ...]:
    """Findings with what the planner predicts of a remedy, where it has one for them.

    A finding about calls is matched with the single change of the lowest risk that touches one
    of them, and of those with the one that saves most; one about a batch only with a batch. The
    order stays: it is one and the same wherever findings are shown. Where the change touches
    other calls as well, what it saves is told with them and is not the finding's value.

    Parameters
    ----------
    findings : sequence of Finding
        From `looptime.findings.find`.
    found : Suggestions
        From `looptime.planner.search.suggest.suggest`, of the same run.
    names : sequence of str
        All calls of the run.
    """
    mean_ms = found.now_ms["mean"]
    priced = [_priced(f, remedy_of(f, found), mean_ms, names) for f in findings]
    return tuple(p if not objections(p) else f for p, f in zip(priced, findings, strict=True))


def remedy_of(finding: Finding, found: Suggestions) -> Proposal | None:
    """The remedy that answers a finding: the safest that touches its calls, if there is one."""
    if not finding.moves or not finding.evidence.calls:
        return None
    calls = list(finding.evidence.calls)
    single = [p for p in found.proposed if len(p.changes) == 1 and (p.gain_ms.value or 0.0) < 0]
    fitting = [p for p in single if _touches(p.changes[0], calls)]
    verbs = _ANSWERS.get(finding.code)
    if verbs is not None:  # what another remedy would save is no answer to it
        fitting = [p for p in fitting if parse(p.changes[0]).verb in verbs]
    # what is safer comes first, however much a riskier change would save
    return min(fitting, key=lambda p: (_RISKS.index(p.risk), p.gain_ms.value or 0.0), default=None)


def _priced(
    finding: Finding, best: Proposal | None, mean_ms: float, names: Sequence[str]
) -> Finding:
    if best is None or mean_ms <= 0:
        return finding
    gain = -(best.gain_ms.value or 0.0)
    ends = [-g for g in (best.gain_ms.low, best.gain_ms.high) if g is not None]
    change, own = best.changes[0], set(finding.evidence.calls)
    others = [name for name in dict.fromkeys(names) if name not in own and _touches(change, [name])]
    said = f"{finding.text} `{change}` would save {ms(gain)} a loop (predicted"
    rests_on = {**finding.rests_on, "gain_ms": gain, "mean_ms": mean_ms}
    if others:
        said += f"; that counts what it saves in {named(others)}, too"
        return replace(finding, text=f"{said}).", rests_on=rests_on)
    return replace(
        finding,
        text=f"{said}).",
        value=gain,
        unit="ms/loop",
        low=min(ends, default=None),
        high=max(ends, default=None),
        rests_on=rests_on,
    )


def _touches(change: str, calls: Sequence[str]) -> bool:
    """Whether a change is about one of the calls: by its name, else by its pattern."""
    patterns = parse(change).patterns
    return any(name == p or fnmatchcase(name, p) for name in calls for p in patterns)
