"""Findings about threads beside the loop that fall behind or end."""

from looptime.analysers.summary import Summary
from looptime.analysers.thread_rates import ThreadRate, thread_rates
from looptime.findings.about import command, evidence
from looptime.findings.finding import Finding
from looptime.words import ms, three

__all__ = ["thread_findings"]

#: What it is worth to know that a thread no longer keeps its pace, as a share of the loop.
_WORTH, _ENDED = 0.4, 0.19
#: Length after over length before from which on the call itself is slower.
_LONGER = 1.5


def thread_findings(at: Summary) -> list[Finding]:
    """Calls of other threads that come much more rarely from some moment on, or no more."""
    return [_finding(at, one) for one in thread_rates(at.run)]


def _finding(at: Summary, one: ThreadRate) -> Finding:
    before = f"{one.call} on thread {one.thread} runs every {ms(one.before_ms)}"
    when = f"{three(one.from_s)} s"
    if one.after_ms is None:
        text = (
            f"{before} until {when} and no more after: has its thread ended, or is it held up? "
            "What reads its values after that reads old ones."
        )
    else:
        low, high = one.range_ms
        was, now = one.length_ms
        longer = now > _LONGER * max(was, 1e-9)
        took = (
            f"each then takes {ms(now)} instead of {ms(was)}: look at the call itself"
            if longer
            else f"each still takes {ms(now)}, so the thread is not run, waits outside its calls, "
            "or is meant to rest longer: look at its priority and at what it waits for"
        )
        text = (
            f"{before} until {when}, then every {ms(one.after_ms)} ({three(low)} to {three(high)}):"
            f" {took}. What reads its values reads older ones."
        )
    return Finding(
        "thread_rate", "look", text, one.after_ms, "ms",
        evidence=evidence(at, calls=[one.call], n_loops=one.count),
        command=command(at, "slow", "--top 20"),
        worth=_ENDED if one.after_ms is None else _WORTH,
        rests_on={"count": one.count},
    )  # fmt: skip
