"""Findings about the log: what weakens the figures, and what it lacks."""

from collections.abc import Mapping
from dataclasses import replace

from looptime.analysers.evenness import clock_hides
from looptime.analysers.summary import Summary
from looptime.findings.about import command, evidence, ms, percent, typical_ms
from looptime.findings.finding import Finding
from looptime.run import stated
from looptime.schema import CUT_SHORT

__all__ = ["few_left", "log_findings", "no_picture"]

#: Share of the rows set aside from which on it is worth a word.
_MANY_ROWS = 0.05
#: Why rows of loops are not used that were meant to be; others are of something else.
_WERE_ROWS = (
    "wrong number of fields", "unreadable number", "missing value", "line too long",
    "corrupt stamp", "negative duration", "begin without end", "end without begin",
    "overlaps another call", "rows lost around it",
)  # fmt: skip


def few_left(counts: Mapping[str, int], used: int) -> bool:
    """Whether more rows of loops were set aside than used, so that those left may be of any kind.

    Examples
    --------
    >>> few_left({"missing value": 900}, 100), few_left({"other thread": 900}, 100)
    (True, False)
    """
    return sum(counts.get(reason, 0) for reason in _WERE_ROWS) > used


def no_picture(at: Summary) -> Finding | None:
    """That the figures are those of the few rows that could be used, where most could not."""
    counts, read = at.run.set_aside.counts, at.run.rows_read
    if not few_left(counts, at.run.rows_used):
        return None
    reason = max(_WERE_ROWS, key=lambda one: counts.get(one, 0))
    lost = sum(counts.get(one, 0) for one in _WERE_ROWS)
    text = (
        f"{percent(lost / read)} of the rows could not be used, most because: {reason}. The "
        f"figures are of the {at.pace.loops:,} loops that are left, and can't tell how the loop "
        "runs: see first what each column was taken for."
    )
    return Finding(
        "rows_set_aside", "look", text, 100 * lost / read, "%", command=command(at, "columns"),
        evidence=evidence(at), worth=1.0, rests_on={"part": lost, "loops": float(at.pace.loops)},
    )  # fmt: skip


def log_findings(at: Summary) -> list[Finding]:
    """What weakens the figures themselves."""
    made, run = [], at.run
    tick_ms = run.clock.tick_ns / 1e6
    if at.pace.loops and tick_ms >= 0.02 * typical_ms(at):
        text = (
            f"The log's clock ticks in steps of {ms(tick_ms)}: single figures finer than that say "
            "nothing (means still hold)."
        )
        note = _note(at, "coarse_clock", text, tick_ms, "ms")
        if clock_hides(at.basis.period_ms, tick_ms):  # whatever else is said rests on that
            text = (
                f"The log's clock ticks in steps of {ms(tick_ms)}, about as long as a loop "
                f"({ms(float(at.basis.period_ms.mean()))} on average): the mean holds, and nothing "
                "can be told of drift or of single loops. Log the time of a finer clock."
            )
            note = replace(note, severity="look", text=text, worth=1.0)
        made.append(note)
    if CUT_SHORT in run.clock.notes:
        text = f"{CUT_SHORT[0].upper()}{CUT_SHORT[1:]}; of the rest of the run nothing is known."
        made.append(replace(_note(at, "file_cut", text, None, ""), severity="look"))
    if run.dropped:
        text = f"The recorder lost {run.dropped} rows: times in those loops are too short."
        if "looptime-recorder" in run.meta:  # leaves out whole loops, on other threads whole calls
            text = (
                f"The recorder left out {run.dropped} rows, by whole loops: the others are whole."
            )
        made.append(_note(at, "rows_lost", text, float(run.dropped), "rows"))
    if ignored := stated(run.meta, "ignored"):
        text = f"The recorder ignored {ignored} marks: a wrong number, or an end without a begin."
        made.append(_note(at, "marks_ignored", text, float(ignored), "marks"))
    made += _missing_loops(at) + _unused_rows(at)
    if left := at.contention.left_out:
        text = (
            f"Of {left:,} calls, those of least time on each side, it was not asked whom they wait "
            "for, or who waits for them."
        )
        made.append(_note(at, "waits_not_asked", text, float(left), "calls"))
    cost = at.recorder_share
    if cost is not None and cost >= 0.02:
        text = f"Recording itself takes {percent(cost)} of the loop: time fewer calls."
        made.append(_note(at, "recorder_cost", text, 100 * cost, "%"))
    if at.changes.note or at.warmup.note or at.recurrence.note:
        longest = at.changes.note or at.recurrence.note or at.warmup.note
        made.append(_note(at, "too_short", f"Can't tell everything: {longest}.", None, ""))
    return made


def _missing_loops(at: Summary) -> list[Finding]:
    """Loops that the log lacks, as the numbers of the others tell."""
    missing = at.run.clock.missing
    if missing is None:
        return []
    count = missing["count"]
    loops = "loop is" if count == 1 else "loops are"
    text = (
        f"{count:,} {loops} missing from the log, as the numbers in {missing['column']!r} tell: "
        "lost on the way or never written."
    )
    if "rows lost around it" in at.run.set_aside.counts:
        text += " Periods across such a gap are left out."
    return [_note(at, "loops_missing", text, float(count), "loops")]


def _unused_rows(at: Summary) -> list[Finding]:
    """Many rows of the log that could not be used, for another reason than standing at its ends."""
    counts, read = at.run.set_aside.counts, at.run.rows_read
    ends = counts.get("before first loop", 0) + counts.get("unfinished last loop", 0)
    lost = sum(counts.values()) - ends
    if not read or lost < _MANY_ROWS * read:
        return []
    reason = max((r for r in counts if "loop" not in r), key=lambda r: counts[r], default="")
    hint = ""
    if reason == "overlaps another call":
        hint = " Calls of several threads need a thread column to be told apart."
    if reason == "missing value" and at.run.layout == "calls":
        hint = (
            " A row that holds a value and no call says signal in a column mark, and has its "
            "number in a column value."
        )
    text = f"{percent(lost / read)} of the rows could not be used, most because: {reason}.{hint}"
    return [_note(at, "rows_set_aside", text, 100 * lost / read, "%")]


def _note(at: Summary, code: str, text: str, value: float | None, unit: str) -> Finding:
    rests_on = {"loops": float(at.pace.loops)} | ({} if value is None else {"value": value})
    return Finding(
        code, "note", text, value, unit, evidence=evidence(at), worth=0.001, rests_on=rests_on
    )
