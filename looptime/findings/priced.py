"""Findings with what the planner predicts in place of an upper bound."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

from looptime.errors import UsageError
from looptime.findings.about import ms
from looptime.findings.finding import Finding
from looptime.findings.referee import objections
from looptime.planner.changes import parse
from looptime.planner.search.look import KIND_UNKNOWN
from looptime.planner.search.proposals import RISKS
from looptime.planner.search.suggest import Proposal, Suggestions
from looptime.words import named, percent

__all__ = ["led", "remedy_of", "with_predictions"]

#: How many times as much as the answer to the first finding a plan gains that stands before it.
_FAR_MORE = 2.0
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

    A finding about calls is matched with the first single change that touches one of them, in the
    planner's order; one about a batch only with a batch. The order of the findings stays: it is one
    and the same wherever they are shown. Where the change touches other calls as well, what it
    saves is told with them and is not the finding's value.

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


def led(
    found: Suggestions, findings: Sequence[Finding], unknown: Collection[str] = ()
) -> Suggestions:
    """Suggestions with the plan first that answers what is told of the run first.

    So whoever reads the findings and then the plans is told one and the same first remedy, but
    where another surely gains more than twice as much, or surely gains where that may gain nothing:
    then that one stands before it, and says so.
    What meets the targets still stands before what does not; where nothing answers, that is said.

    Parameters
    ----------
    found : Suggestions
        From `looptime.planner.search.suggest.suggest`.
    findings : sequence of Finding
        Of the same run, what matters most first.
    unknown : collection of str
        Calls of which nobody knows what they do.
    """
    return _with_reason(_led(found, findings, unknown), found)


def _led(found: Suggestions, findings: Sequence[Finding], unknown: Collection[str]) -> Suggestions:
    lead = next((f for f in findings if f.severity != "note"), None)
    if lead is None or not lead.moves or not lead.evidence.calls:
        return found
    best = remedy_of(lead, found)
    if best is None:
        return replace(found, unanswered=_unanswered(lead, found, unknown))
    first = found.proposed[0]
    if first.meets_targets and not best.meets_targets:
        return found
    single = (p for p in found.proposed if p is first or len(p.changes) == 1)
    first = next((p for p in single if p is best or _stands_before(p, best)), best)
    others = tuple(p for p in found.proposed if p is not best and p is not first)
    if first is best:
        return replace(found, proposed=(best, *others))
    first = replace(first, trade="; ".join(filter(None, (_beside(best, first), first.trade))))
    return replace(found, proposed=(first, best, *others))


def _with_reason(made: Suggestions, before: Suggestions) -> Suggestions:
    """The first plan says why it stands before one of a single remedy that gains far more."""
    if not made.proposed or made.proposed[0].trade:
        return made
    first, *others = made.proposed
    same = [p for p in others if len(p.changes) == 1 and p.meets_targets == first.meets_targets]
    most = min(same, key=lambda p: p.gain_ms.value or 0.0, default=first)
    more, own = -(most.gain_ms.value or 0.0), -(first.gain_ms.value or 0.0)
    if more <= _FAR_MORE * max(own, 0.0):
        return made
    answers = first is not before.proposed[0] and first in before.proposed
    why = "it answers what stands out first" if answers else "it asks for less effort and risk"
    risk = ", at a high risk" if most.risk == "high" else ""
    far = f"{most.say or most.changes[0]} gains far more, {ms(more)} less a loop{risk}"
    told = replace(first, trade=f"{far}; this is first as {why}")
    return replace(made, proposed=(told, *others))


def _stands_before(first: Proposal, answer: Proposal) -> bool:
    """Whether a plan is to be tried before the one that answers what stands out first.

    It is where it surely gains more than twice what the other does at most, or surely more than is
    expected of one that may gain nothing; each gain counts the less the greater its risk.
    """
    least = -(first.gain_ms.high or 0.0) / RISKS[first.risk]
    most = -(answer.gain_ms.low or 0.0) / RISKS[answer.risk]
    expected = -(answer.gain_ms.value or 0.0) / RISKS[answer.risk]
    unsure = (answer.gain_ms.high or 0.0) >= 0
    return least > _FAR_MORE * max(most, 0.0) or (unsure and least > max(expected, 0.0))


def _beside(answer: Proposal, first: Proposal) -> str:
    """What the plan that answers the first finding is worth beside one that gains far more."""
    share = (answer.gain_ms.value or 0.0) / (first.gain_ms.value or 1.0)
    surely = " and may give nothing" if (answer.gain_ms.high or 0.0) >= 0 else ""
    return (
        f"{answer.say}, which answers what stands out first, gives {percent(share)} of it{surely}"
    )


def _unanswered(lead: Finding, found: Suggestions, unknown: Collection[str]) -> str:
    """That no plan is about the calls of the first finding, and why those tried were left out."""
    calls = list(lead.evidence.calls)
    why = [f"{left.text}: {left.why}" for left in found.not_proposed if _about(left.text, calls)]
    none = KIND_UNKNOWN if set(calls) <= set(unknown) else "none of the known remedies is about it"
    said = "; ".join(dict.fromkeys(why)) or none
    return f"Nothing is proposed for {named(calls)}, which stands out first ({said})."


def _about(text: str, calls: Sequence[str]) -> bool:
    """Whether a remedy that was left out is about one of the calls."""
    try:
        return any(_touches(change, calls) for change in text.split(" + "))
    except UsageError:  # said in words, and no change
        return text in calls


def remedy_of(finding: Finding, found: Suggestions) -> Proposal | None:
    """The remedy that answers a finding: the first of the plans that touches its calls, if any."""
    if not finding.moves or not finding.evidence.calls:
        return None
    calls = list(finding.evidence.calls)
    single = [p for p in found.proposed if len(p.changes) == 1 and (p.gain_ms.value or 0.0) < 0]
    fitting = [p for p in single if _touches(p.changes[0], calls)]
    verbs = _ANSWERS.get(finding.code)
    if verbs is not None:  # what another remedy would save is no answer to it
        fitting = [p for p in fitting if parse(p.changes[0]).verb in verbs]
    return next(iter(fitting), None)


def _priced(
    finding: Finding, best: Proposal | None, mean_ms: float, names: Sequence[str]
) -> Finding:
    if best is None or mean_ms <= 0:
        return finding
    gain = -(best.gain_ms.value or 0.0)
    ends = [-g for g in (best.gain_ms.low, best.gain_ms.high) if g is not None]
    change, own = best.changes[0], set(finding.evidence.calls)
    others = [name for name in dict.fromkeys(names) if name not in own and _touches(change, [name])]
    said = f"{finding.text} {best.say or change}: {ms(gain)} less a loop (predicted"
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
