"""What the rules share: words for figures, evidence, the typical loop."""

import math
import shlex
from collections.abc import Iterable, Sequence
from pathlib import PurePath

import numpy as np

from looptime.analysers.recurs import Recurrence
from looptime.analysers.summary import Summary
from looptime.findings.finding import Evidence
from looptime.stats.arrays import median
from looptime.stats.mechanism import Rule
from looptime.words import ms, percent, shell_word, signed, three

__all__ = [
    "DRAFT",
    "PROJECT_GUIDE",
    "TIMING_GUIDE",
    "at_ease",
    "command",
    "ease",
    "evidence",
    "how_often",
    "judged_mean_ms",
    "longest_ms",
    "loop_ms",
    "ms",
    "ms_value",
    "n_calls",
    "percent",
    "period_ms",
    "signed",
    "stall_worth",
    "stalls_worth",
    "steady_at_ease",
    "swallowed",
    "three",
    "typical_ms",
    "whole_word",
    "with_options",
]

_MOST = 10
#: What an even loop is worth, lost where stalls hold so much of the time.
_EVENNESS, _MUCH = 0.4, 0.01
#: Periods that pass until a stall is worse than one of a loop.
_FEW_PERIODS = 3.0
#: A steady cost is small below this part of the period.
_LITTLE = 0.125
#: Share of the period left over from which on a loop is at ease.
_EASY = 0.4
#: Share of the loops that may be late by their work where the others have time left.
_FEW_LATE = 0.03
#: How to time more of the robot code: the next step where the log does not hold what is asked.
TIMING_GUIDE = "looptime guide recorders"
#: How a project file says what calls are.
PROJECT_GUIDE = "looptime guide project-file"
#: Options that write a first one.
DRAFT = "--draft-project looptime.toml"


def ms_value(value: float | None) -> float:
    """The value, 0 where there is none."""
    return 0.0 if value is None else value


def how_often(r: Recurrence) -> str:
    """The rule by which something comes back, in words.

    Examples
    --------
    >>> from looptime.stats.mechanism import Rule
    >>> def told(*rules):
    ...     r = Recurrence(None, "", None, None, 9, 9, 1.0, could_be=rules, gap_ms=103.0)
    ...     return how_often(r)
    >>> told(Rule("loops", 50, 50, 50)), told(Rule("timetable", 250.0, 250.0, 250.0))
    ('every 50 loops', 'every 250 ms, on a timetable')
    >>> told(Rule("since start", 99.8, 99.6, 100.0))
    'each time 99.8 ms have gone by since it last began'
    >>> told(Rule("since end", 1000.0, 999.0, 1001.0))
    'each time 1 s has gone by since it last ended'
    >>> told(Rule("loops", 5, 5, 5), Rule("timetable", 90.0, 90.0, 90.0))
    "every 5 loops (can't tell whether by count or by clock)"
    >>> told(Rule("loops", 10, 10, 10, share=0.963))
    'every 10 loops (96 % likely, else by clock)'
    >>> told(Rule("since start", 99.8, 99.6, 100.0), Rule("since end", 94.0, 93.8, 94.1))
    "about every 103 ms (can't tell whether from its last start or its last end)"
    >>> told(Rule("since end", 81.0, 77.0, 85.0))
    'about every 103 ms (each time 77 ms to 85 ms have gone by since it last ended)'
    """
    rules = {rule.name: rule for rule in r.could_be}
    if len(r.could_be) == 1:
        (rule,) = r.could_be
        said = _in_words(rule)
        return f"about every {ms(r.gap_ms)} ({said})" if r.gap_ms and _wide(rule) else said
    if "loops" in rules:
        about = f"{ms(r.every_ms)}; " if r.every_ms else ""
        every = _in_words(rules["loops"])
        return f"{every} ({about}can't tell whether by count or by clock)"
    known = [name for name in _FROM if name in rules]
    if len(known) == len(rules):
        starts = [_FROM[name] for name in known]
        from_what = f"{', '.join(starts[:-1])} or {starts[-1]}"
        apart = r.gap_ms or rules[known[0]].value
        return f"about every {ms(apart)} (can't tell whether from {from_what})"
    return f"{', or '.join(map(_in_words, r.could_be))} (can't tell which)"


#: What a clock may count from.
_FROM = {
    "timetable": "a timetable", "since start": "its last start", "since end": "its last end",
}  # fmt: skip
_RULES = {
    "loops": "every {} loops",
    "since start": "each time {} {} gone by since it last began",
    "since end": "each time {} {} gone by since it last ended",
    "timetable": "every {}, on a timetable",
    "held": "every {}",
    "rest": "{} after it last ended",
}
_EACH = "in every loop"
#: Bounds wider than this share are said.
_WIDE = 0.05
_NO_REST_MS = 0.05
#: Share from which on a rule is told without it.
_CERTAIN = 0.99


def _wide(rule: Rule) -> bool:
    """Whether the gaps leave much room for a rule's interval."""
    return rule.name not in ("rest", "held", "loops") and rule.high - rule.low > _WIDE * rule.high


def _in_words(rule: Rule) -> str:
    if rule.name == "loops":
        doubt = "" if rule.share > _CERTAIN else f" ({percent(rule.share)} likely, else by clock)"
        return (_RULES["loops"].format(three(rule.value)) if rule.value != 1 else _EACH) + doubt
    if rule.name == "rest" and rule.value < _NO_REST_MS:
        return "at once after it last ended, without a rest"
    told = f"{ms(rule.low)} to {ms(rule.high)}" if _wide(rule) else ms(rule.value)
    return _RULES[rule.name].format(told, "has" if told.startswith("1 ") else "have")


def stall_worth(share: float, height: float, periods: float) -> float:
    """What stalls are worth: their mean time, and the evenness that is lost with it.

    A stall as long as a loop counts for two fifths of it where stalls hold a hundredth of the time,
    and for less where they are rarer or shorter: 3 loops in 1000 that are longer by half are no
    reason to act. What leaves the robot unsteered for ten periods counts for half as much again.

    Parameters
    ----------
    share : float
        Time of the stalls as a share of that of all loops.
    height : float
        Length of one over that of a loop.
    periods : float
        The same over the usual period, whatever of it is work.

    Examples
    --------
    >>> often = (0.02, 1.0), (0.02, 0.3), (0.003, 0.5), (0.001, 6.0), (0.01, 10.0)
    >>> [round(stall_worth(share * height, height, height), 3) for share, height in often]
    [0.42, 0.126, 0.061, 0.246, 0.709]
    """
    tall = min(height, 1.0) + max(math.log10(max(periods, 1.0) / _FEW_PERIODS), 0.0)
    return share + _EVENNESS * min(tall, share / _MUCH)


def stalls_worth(at: Summary, height_ms: float, ms_per_loop: float) -> float:
    """`stall_worth` of stalls of so many ms that cost the loop so many on average."""
    usual = typical_ms(at)
    return stall_worth(ms_per_loop / usual, height_ms / usual, height_ms / period_ms(at))


def typical_ms(at: Summary) -> float:
    """Mean of the typical loops [ms]; a tiny number instead of 0, to divide by."""
    return max(at.slow.typical_ms or 0.0, 1e-9)


def period_ms(at: Summary) -> float:
    """The usual period [ms], however little of it is work; a tiny number instead of 0."""
    return max(median(at.basis.period_ms), 1e-9) if len(at.basis.period_ms) else 1.0


def ease(at: Summary) -> float:
    """What a share of the work is worth: less where the pacing wait swallows it.

    Where the loop sleeps after its work, it is no more than its share of the period. A loop that
    keeps its rate by a wait which is not logged is never late by it either.
    """
    if at.pacing.mode == "sleep after work" and at.basis.judged == "work":
        return min(judged_mean_ms(at) / period_ms(at), 1.0)
    kept = at.basis.in_calls is not None and at.pacing.fixed_rate
    never_late = kept and not at.pace.overruns.count and not at.pacing.late_count
    return 0.4 if never_late or _spare(at) > 0.1 else 1.0


def swallowed(at: Summary, cost_ms: float) -> bool:
    """Whether a steady cost hurts nobody: small beside a wait that is most of every period."""
    small = cost_ms < _LITTLE * (at.pacing.nominal_ms or 0.0)
    return small and _spare(at) > 0.5 and not at.pace.overruns.count


def at_ease(at: Summary) -> bool:
    """Whether a paced loop never comes late and 99 of 100 leave much of their period over."""
    return _spare(at) > _EASY and not at.pace.overruns.count and not at.pacing.late_count


def steady_at_ease(at: Summary) -> bool:
    """Whether a steady cost makes no loop late: half of the period is left over as a rule.

    The few loops whose work takes longer than a period are late by what is longer in them.
    """
    head, nominal = at.pace.headroom_ms, at.pacing.nominal_ms
    left = None if head is None else head["p50"].value
    if at_ease(at) or left is None or nominal is None:
        return at_ease(at)
    return left >= 0.5 * nominal and float((at.basis.judged_ms > nominal).mean()) <= _FEW_LATE


def _spare(at: Summary) -> float:
    """Share of the nominal period that 99 of 100 loops leave over; 0 where nobody knows."""
    headroom, nominal = at.pace.headroom_ms, at.pacing.nominal_ms
    left = None if headroom is None else headroom["p99"].value
    return 0.0 if left is None or nominal is None else left / nominal


def whole_word(at: Summary) -> str:
    """What shares are of."""
    return "loop's work" if at.basis.judged == "work" else "loop"


def loop_ms(at: Summary) -> float:
    """Mean of the quantity judged [ms]; something to divide by where there is no loop."""
    return max(float(at.basis.judged_ms.mean()), 1e-9) if at.pace.loops else 1.0


def judged_mean_ms(at: Summary) -> float:
    """Mean of the quantity that shares are of [ms]."""
    return float(at.basis.judged_ms.mean()) if at.pace.loops else 0.0


def longest_ms(at: Summary) -> float:
    """The longest period [ms]."""
    return float(at.basis.period_ms.max(initial=0.0))


def n_calls(at: Summary) -> float:
    """How many calls of the loop's thread are logged."""
    return float(sum(c.on_loop_thread for c in at.costs.calls))


def evidence(
    at: Summary, loops: Iterable[int] = (), calls: Iterable[str] = (), n_loops: int | None = None
) -> Evidence:
    """Evidence with the lines of the log for the loops named."""
    numbers = tuple(loops)[:_MOST]
    columns = at.run.loop_columns
    lines: tuple[int, ...] = ()
    if columns.line is not None and numbers:
        place = np.flatnonzero(np.isin(columns.loop, numbers))
        line_of = {int(columns.loop[k]): int(columns.line[k]) for k in place}
        lines = tuple(line_of[n] for n in numbers if n in line_of)
    return Evidence(numbers, lines, tuple(calls), at.pace.loops if n_loops is None else n_loops)


def command(at: Summary, name: str, options: str = "") -> str:
    """A command line that looks closer at this log."""
    log = shell_word(PurePath(at.run.source).as_posix()) if at.run.source else "LOG"
    phase = f" --phase {shell_word(at.phase)}" if at.phase else ""
    return f"looptime {name} {log}{phase}{' ' + options if options else ''}"


def with_options(line: str, given: Sequence[tuple[str, ...]]) -> str:
    """A command line with the options under which its log was read.

    Parameters
    ----------
    line : str
        From `command`; empty where a finding has none.
    given : sequence of tuple of str
        Options, each with its value if it takes one. One that the line has already is left out.

    Examples
    --------
    >>> with_options("looptime slow a.csv", [("--where", "a b=1"), ("--keep-warmup",)])
    'looptime slow a.csv --where "a b=1" --keep-warmup'
    """
    if line.startswith("looptime guide "):  # it reads no log
        return line
    has = {word.partition("=")[0] for word in shlex.split(line)}
    kept = [" ".join(map(shell_word, option)) for option in given if option[0] not in has]
    return " ".join([line, *kept]) if line else line
