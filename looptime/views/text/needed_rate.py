"""The loop rate that a tolerance asks for, in words, and what is supposed of other rates."""

from looptime.analysers.estimate import Figure
from looptime.heading import HeadingResult
from looptime.heading.kept_work import Work
from looptime.heading.required import Fastest, Required
from looptime.views.text.terminal import number

__all__ = ["MATTERS", "at_least", "at_other_rates", "most_there_are", "needed_rates", "supposed_of"]

#: Patterns of a required rate.
_PATTERNS = ("even", "log shape")
_ALONE = "pace alone cannot reach it"
#: A latency of no more than this share of the mean age supposes nothing that matters.
MATTERS = 0.05
_WHY = {"never waits": "it never waits", "can't tell": "whether it waits can't be told"}


def needed_rates(at: HeadingResult) -> str:
    """Whether the log keeps its tolerances, which rates do, and what makes it miss.

    What is the same for all of them is said once.
    """
    needs = [(need, "deg" if key.endswith("deg") else "mm a metre")
             for key, need in at.required.items()]  # fmt: skip
    if len(needs) > 1 and all(n.missed_by == "mean rate" and _least(n) for n, _ in needs):
        missed = " and ".join(f"{need.tolerance:g} {unit}" for need, unit in needs)
        takes = " and ".join(number(_least(need)) for need, _ in needs)
        text = f"it misses {missed} by its mean rate: it takes {takes} loops a second"
        return text + supposed_of(at.work, _counts(at))
    texts: list[str] = []
    for need, unit in needs:
        if need.missed_by == "work":
            assert need.fastest is not None
            texts.append(_beyond_pace(need, need.fastest, unit, again=_ALONE in "".join(texts)))
            continue
        most = most_there_are(at)
        text = _rates(need, f"{need.tolerance:g} {unit}", most, at)
        said = at.work.work_s is not None and (need.missed_by is None or most in text)
        texts.append(text if said else text + supposed_of(at.work, _counts(at)))
    return "; ".join(texts)


def _least(need: Required) -> float | None:
    """The rate that keeps the tolerance, in loops like this log's where one does [Hz]."""
    even, shaped = (need.by_pattern.get(name, Figure(None)).value for name in _PATTERNS)
    return shaped or even


def at_least(rate_hz: float, at: HeadingResult) -> str:
    """A needed rate; one that all that were looked at keep may be lower than they are.

    Examples
    --------
    >>> from types import SimpleNamespace as Of
    >>> at = Of(curve=[Of(rate_hz=rate) for rate in (5.0, 7.1, 1000.0)])
    >>> at_least(5.0, at), at_least(7.1, at)
    ('5.00 or fewer', '7.10')
    """
    lowest = min(point.rate_hz for point in at.curve)
    return number(rate_hz) + (" or fewer" if rate_hz <= lowest else "")


def _rates(need: Required, tolerance: str, most: str, at: HeadingResult) -> str:
    even, shaped = (need.by_pattern.get(name, Figure(None)).value for name in _PATTERNS)
    least = _least(need)
    takes = f"no rate up to {most} keeps it"
    if need.missed_by is None:
        return (
            f"{tolerance} needs {at_least(least, at)} loops a second, and this log keeps it"
            if (least is not None)
            else f"this log keeps {tolerance}"
        )
    if shaped is not None:
        takes = f"it takes {number(shaped)} loops a second with them"
    elif even is not None:
        takes = f"with them {takes}, even loops do from {number(even)} on"
    if need.missed_by == "stalls":
        return f"it misses {tolerance} by its stalls: {takes}"
    if need.missed_by == "mean rate and stalls":
        return f"it misses {tolerance} by its mean rate and its stalls: {takes}"
    takes = takes if least is None else f"it takes {number(least)} loops a second"
    return f"it misses {tolerance} by its mean rate: {takes}"


def most_there_are(at: HeadingResult) -> str:
    """The fastest rate that is looked at."""
    fastest = at.work.fastest_hz
    if fastest is None or fastest >= 1000:
        return "1000 a second"
    return f"the {number(fastest)} a second that its work allows"


def _beyond_pace(need: Required, at: Fastest, unit: str, again: bool) -> str:
    """What the fastest pace comes to, and what else there is to do; `again` after the same."""
    missed = f"it misses {need.tolerance:g} {unit}"
    if again:
        return f"{missed} too: {number(at.value)} there"
    which = "" if need.judged == "sideways" else f" ({need.judged})"
    text = (
        f"{missed} and {_ALONE}: at {number(at.rate_hz)} loops a second, the most that its work of "
        f"{number(1e3 / at.rate_hz)} ms allows, it is still {number(at.value)} {unit}{which} with "
        f"a reading {number(at.latency_ms)} ms old at its use"
    )
    if at.least is None or at.least_ms is None:
        return f"{text}: take work out of the loop"
    late = f"just before its use ({number(at.least_ms)} ms) it is {number(at.least)} {unit} there"
    if at.least <= need.tolerance:
        return f"{text}: read it later or on a thread; read {late}"
    return f"{text}; read {late}, so take work out of the loop as well as reading later"


def supposed_of(work: Work, counts: bool) -> str:
    """What a needed rate rests on, in a clause.

    Parameters
    ----------
    work : Work
        What another pace leaves as it is.
    counts : bool
        Whether the latency is a part of the age that matters.
    """
    if work.work_s is not None:
        return f" of the {number(work.fastest_hz)} that its work allows"
    return f", if its latency changes with its period ({_WHY[work.pace]})" if counts else ""


def _counts(at: HeadingResult) -> bool:
    latency, mean = at.age.latency_ms.value, at.age.mean_ms.value
    return bool(latency and mean and latency > MATTERS * mean)


def at_other_rates(at: HeadingResult) -> str:
    """What another pace is taken to change of the latency; empty where that does not matter."""
    if at.work.work_s is None:
        why = f"its latency is taken to change with its period: {_WHY[at.work.pace]}"
        return why if _counts(at) else ""
    work, fastest = number(1e3 * at.work.work_s), number(at.work.fastest_hz)
    most = f"its work of {work} ms allows {fastest} a second"
    return f"{most}, and its part of the latency stays" if _counts(at) else most
