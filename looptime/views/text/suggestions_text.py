"""Suggested plans as text: the best is the answer, then two more, in full all of them."""

from collections.abc import Sequence
from pathlib import PurePath

from rich.console import RenderableType
from rich.padding import Padding
from rich.text import Text

from looptime.findings.finding import CAUTION_LINE
from looptime.planner.search.look import KIND_UNKNOWN
from looptime.planner.search.proposals import Proposal, Suggestions, older
from looptime.views.text.plan_text import caution_lines, mind_lines, span
from looptime.views.text.plan_words import (
    gain_ends,
    gain_of,
    plan_command,
    share_of_loop,
    what_to_do,
)
from looptime.views.text.terminal import command_line, heading_line, in_full, number, safe
from looptime.views.text.text_parts import hanging, indented, labelled
from looptime.views.text.told import Told
from looptime.words import count, listed, shell_word, supposing

__all__ = ["render_suggestions"]

#: By how much the p99 must change to be told beside a mean that may stay as it is.
_OTHER_TAIL = 0.1
#: From which ratio to the mean on a p99 is worth a look where no remedy helps.
_UNEVEN = 1.2
#: Plans shown before the whole list.
_FIRST = 3
_RANGES = (
    "with the range that a future recording will show. effort, 1 for a few lines of code and more "
    "for more ([effort] in looptime.toml states yours)."
)
_READ = f"Read so: mean, by how much it changes, {_RANGES}"
_READ_WORK = (
    "Read so: work mean, by how much what the loop does besides waiting for its pace changes (the "
    f"pace keeps the period), {_RANGES}"
)


def render_suggestions(at: Suggestions, options: str = "", project: bool = False) -> Told:
    """Suggested plans: the best one is the answer, then two more; in full all of them.

    Parameters
    ----------
    at : Suggestions
        What `looptime.planner.search.suggest` returned.
    options : str
        Options under which the log was read, for the commands that are offered.
    project : bool
        Whether a project file is there, so that none is to be drafted.
    """
    books = (labelled("now", _now(at)),)
    left_out: list[RenderableType] = []
    if at.not_proposed:
        left_out = [heading_line("Not proposed"),
                    *_by_reason([(safe(p.text, 60), p.why) for p in at.not_proposed])]  # fmt: skip
    rest = [*left_out, *mind_lines(at.warnings), *caution_lines()]
    if not at.proposed:
        answer = supposing(" ".join([*at.targets, _nothing(at)]), at.supposed)
        return Told(answer, (_next_step(at, options, project),),
                    tables=(tuple(left_out),) if left_out else (),
                    more=tuple(rest), books=books)  # fmt: skip
    first, *others = at.proposed[:_FIRST]
    answer, why, command = _plan(first, at, options)
    lead = (hanging("  ", in_full(at.unanswered)),) if at.unanswered else ()
    ends = [labelled("mind", in_full(text)) for text in at.gain_ends]
    reasons = (*lead, hanging("  ", why), command, *ends, indented(Text(CAUTION_LINE)))
    tables = []
    for place, plan in enumerate(others, 2):
        head, why, command = _plan(plan, at, options)
        tables.append((hanging(f"{place}. ", head), hanging("   ", why), command))
    many = (
        f"{count(len(at.proposed), 'plan')} in all, "
        f"{count(len(at.not_proposed), 'remedy')} left out"
    )
    told = labelled("ranges", f"{first.gain_ms.level_text}, for a future recording; {many}")
    more: list[RenderableType] = [
        heading_line(
            "All plans: the largest gain first if by much, then by gain over effort and risk"
        )
    ]
    for i, plan in enumerate(at.proposed, 1):
        more.append(Text(f"{i}. {in_full(' + '.join(plan.changes))}", style="bold"))
        more.append(Padding(Text(_proposal(plan, at)), (0, 0, 0, 4)))
    more += [Text(_READ_WORK if at.judged == "work" else _READ), *_remedies(at), *rest]
    answer = supposing(" ".join([*at.targets, answer]), at.supposed)
    return Told(answer, reasons, tuple(tables), tuple(more), (*books, told))


def _nothing(at: Suggestions) -> str:
    """That nothing is proposed, and why."""
    answer = "Nothing is proposed: no remedy tried would be seen in this loop."
    unknown = _unknown(at)
    if unknown:
        answer += f" Not tried, as no name says what is done there: {listed(unknown)}."
    if len(unknown) == len(at.not_proposed):
        answer = (
            "Nothing to try: no call that is known to read a sensor, to write to an actuator "
            "or to send messages takes much of the loop. What calls are is said in "
            "looptime.toml (looptime guide project-file)."
        )
    return f"{answer} {in_full(at.unanswered)}" if at.unanswered else answer


def _unknown(at: Suggestions) -> list[str]:
    """What was not tried as nobody knows what is done there."""
    return [safe(p.text, 60) for p in at.not_proposed if p.why == KIND_UNKNOWN]


def _next_step(at: Suggestions, options: str, project: bool) -> RenderableType:
    """The command that helps where nothing is proposed.

    To say what calls are, by a draft or in the project file that is there; else to look at the
    loops that take longest, or, where they are even, to time more of the loop.
    """
    log = shell_word(PurePath(at.source).as_posix()) if at.source else "LOG"
    if _unknown(at) or not at.not_proposed:
        draft = f"looptime summary {log}{options} --draft-project looptime.toml"
        return command_line(f"  > {'looptime guide project-file' if project else draft}")
    if at.now_ms["p99"] > _UNEVEN * at.now_ms["mean"]:
        return command_line(f"  > looptime slow {log}{options}")
    return command_line("  > looptime guide recorders")


def _plan(plan: Proposal, at: Suggestions, options: str) -> tuple[str, str, RenderableType]:
    """One of the first plans: what to do and its gain; why and what to check; the command."""
    share = share_of_loop(plan, at)
    of = f", {share}" if share else ""
    met = " Meets the targets." if plan.meets_targets else ""
    why = [f"Why: {in_full(plan.why)}."] if plan.why else []
    check = [f"First {in_full(plan.check)}."] if plan.check else []
    check = [f"{in_full(plan.trade)}.", *check] if plan.trade else check
    why += _tail(plan, at)
    return (f"{what_to_do(plan)}: {gain_of(plan)} a loop ({gain_ends(plan)}){of}.{met}",
            " ".join([*why, *check]),
            command_line(f"  > {plan_command(plan, at, options)}"))  # fmt: skip


def _tail(plan: Proposal, at: Suggestions) -> list[str]:
    """What becomes of the longest loops, where the mean may as well stay as it is."""
    low, high, was = plan.gain_ms.low or 0.0, plan.gain_ms.high or 0.0, at.now_ms["p99"]
    if not low < 0 <= high or abs(plan.p99_ms - was) < _OTHER_TAIL * was:
        return []
    return [f"Period p99 is {number(was)} ms today, {number(plan.p99_ms)} ms then."]


def _now(at: Suggestions) -> str:
    """Today's figures, and of which loops they are."""
    mean, p99 = (number(at.now_ms[key]) for key in ("mean", "p99"))
    now = f"mean {mean} ms, p99 {p99} ms"
    if at.now_work_ms is not None:
        now = f"work mean {number(at.now_work_ms)} ms, period mean {mean} ms, p99 {p99} ms"
    source = safe(at.source) or "the run"
    if at.loops < at.loops_in_log:
        return f"{now}, in the {at.loops:,} loops tried, of {at.loops_in_log:,} in {source}."
    return f"{now}, in {at.loops:,} loops of {source}."


def _proposal(plan: Proposal, at: Suggestions) -> str:
    met = {True: " Meets the targets.", False: "", None: ""}[plan.meets_targets]
    age = older(plan.age_at_first_use_ms, at.use)
    changed = f" {in_full(age)}." if age else ""
    mean, p99 = ("work mean", "period p99") if at.judged == "work" else ("mean", "p99")
    return (
        f"{mean} {span(plan.gain_ms)} ms, {p99} then {number(plan.p99_ms)} ms; effort "
        f"{number(plan.effort, 2)}, risk {plan.risk}.{met}{changed}"
    )


def _remedies(at: Suggestions) -> list[RenderableType]:
    """What each remedy of the plans shown is and rests on."""
    shown = {text for plan in at.proposed for text in plan.changes}
    used = [
        (in_full(" + ".join(r.changes)), r.why) for r in at.remedies if shown.issuperset(r.changes)
    ]
    return [heading_line("What each remedy is and rests on"), *_by_reason(used)]


def _by_reason(told: Sequence[tuple[str, str]]) -> list[Text]:
    """A line a reason: what shares it stands together."""
    by_reason: dict[str, list[str]] = {}
    for what, why in told:
        by_reason.setdefault(why, []).append(what)
    return [Text(f"- {'; '.join(what)}: {in_full(why)}") for why, what in by_reason.items()]
