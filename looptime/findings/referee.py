"""No finding is shown that arithmetic contradicts, or whose words rest on nothing."""

from collections.abc import Callable, Sequence

from looptime.findings.finding import Finding

__all__ = ["allowed", "objections"]

#: Rounding of sums and of clocks.
_SLACK = 1e-6


def _at_most(small: float, large: float) -> bool:
    return small <= large + _SLACK * max(abs(small), abs(large), 1.0)


#: Quantities by name, and what must hold between them wherever a finding rests on all of them.
_ARITHMETIC: tuple[tuple[tuple[str, ...], Callable[..., bool], str], ...] = (
    (("count", "possible"), _at_most, "more often than the rule leaves room for"),
    (("count", "of"), _at_most, "a part larger than the whole"),
    (("part_ms", "whole_ms"), _at_most, "a part longer than the whole"),
    (("saving_ms", "part_ms"), _at_most, "saves more than there is"),
    (("saving_ms", "whole_ms"), _at_most, "saves more than the loop"),
    (("gain_ms", "mean_ms"), _at_most, "saves more than the loop"),
    (("usual_ms", "largest_ms"), _at_most, "the usual above the largest"),
    (("seconds", "duration_s"), _at_most, "longer than the run"),
    (("hold", "of"), _at_most, "held for longer than the run"),
    (("fresh_hz", "loop_hz"), _at_most, "more new values than loops"),
    (("low", "high"), _at_most, "an interval upside down"),
    (("share",), lambda s: 0 <= s <= 1 + _SLACK, "a share outside 0 to 1"),
    (("time_share",), lambda s: 0 <= s <= 1 + _SLACK, "a share outside 0 to 1"),
    (("explained_share",), lambda s: 0.5 <= s <= 1 + _SLACK, "explains too few of the gaps"),
    (("share", "count", "of"), lambda s, n, of: abs(s * of - n) <= 0.5, "a share that is not so"),
    (("share", "part_ms", "whole_ms"), lambda s, p, w: abs(s * w - p) <= 0.01 * w + _SLACK,
     "a share that is not so"),
    (("count", "every_s", "duration_s"), lambda n, e, d: _at_most((n - 1) * e, d),
     "more often than fits into the run"),
    (("before", "after", "change"), lambda b, a, c: abs(a - b - c) <= 0.01 * max(abs(b), abs(a)),
     "a change that is not the difference"),
)  # fmt: skip

#: Words that claim something, and the quantity that must bear them out.
_WORDS: tuple[tuple[str, str, Callable[[float], bool], str], ...] = (
    ("runs evenly", "even", lambda v: v == 1, "no test says that the loop is even"),
    ("fixed rate", "pace_shown", lambda v: v == 1, "no pace was shown"),
    ("headroom", "pace_shown", lambda v: v == 1, "no pace was shown"),
    ("next tick", "pace_shown", lambda v: v == 1, "no pace was shown"),
    ("loses its slot", "slot_share", lambda v: v >= 0.5, "late loops do not take whole slots"),
    ("back to back", "pace_shown", lambda v: v == 1, "no pace was shown"),
    ("keep their slot", "pace_shown", lambda v: v == 1, "no pace was shown"),
    ("counted from now", "slower_by", lambda v: v > 0, "the loop is not slower than its rate"),
    ("in no timed call", "calls_logged", lambda v: v >= 2, "hardly any call is logged"),
    ("by no call", "calls_logged", lambda v: v >= 2, "hardly any call is logged"),
    ("outside every call", "calls_logged", lambda v: v >= 2, "hardly any call is logged"),
    ("whatever call happens", "calls_logged", lambda v: v >= 2, "hardly any call is logged"),
)


def objections(finding: Finding) -> tuple[str, ...]:
    """What speaks against a finding: nothing that it rests on, or arithmetic.

    Examples
    --------
    >>> said = "mot stalls the loop for 60 ms, 107 times every 4 s."
    >>> rests_on = {"count": 107, "possible": 38}
    >>> objections(Finding("recurring_stall", "look", said, rests_on=rests_on))
    ('more often than the rule leaves room for',)
    >>> objections(Finding("healthy", "fine", "Nothing stands out: the loop runs evenly."))
    ('rests on no quantity', 'no test says that the loop is even')
    """
    rests = {name: value for name, value in finding.rests_on.items() if value is not None}
    found = [] if rests else ["rests on no quantity"]
    for names, holds, why in _ARITHMETIC:
        if all(name in rests for name in names) and not holds(*(rests[name] for name in names)):
            found.append(why)
    for words, name, holds_for, why in _WORDS:
        if words in finding.text and not (name in rests and holds_for(rests[name])):
            found.append(why)
    return tuple(dict.fromkeys(found))


def allowed(findings: Sequence[Finding]) -> list[Finding]:
    """Those that nothing speaks against."""
    return [f for f in findings if not objections(f)]
