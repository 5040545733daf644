"""Where a cycle of calls begins that a log shows from its middle on: between runs of like calls."""

import re
from collections.abc import Sequence
from itertools import pairwise

from looptime.call_words import guess_name, like
from looptime.schema import CallName

__all__ = ["begins_at"]

#: Like calls that are a run: two may as well be the first and the last of a loop.
_RUN = 3
#: Between loops passes so many times the time between calls.
_LONGER = 1.5


def begins_at(names: Sequence[str], gaps: Sequence[float] = ()) -> int:
    """The place in a cycle at which a loop begins: 0 unless that lies within a run of like calls.

    A log that begins within a loop shows the rest of it first. Calls of one name and rising
    numbers, or other places, are made one after the other: where the last of a cycle and its first
    are such, the loop begins elsewhere. That is where most time passes between two calls, else
    after what is written to the actuators, else where the run begins.

    Parameters
    ----------
    names : sequence of str
        The calls of a cycle in the order in which the log shows them first, each once.
    gaps : sequence of float
        The usual time before each; none where the log has no clock.

    Examples
    --------
    >>> begins_at(["pod3.read", "pod4.read", "mix", "plan", "pod1.read", "pod2.read"])
    4
    >>> begins_at(["pod3.read", "pod4.read", "out.write", "imu", "pod1.read", "pod2.read"])
    3
    >>> begins_at(["pod1.read", "pod2.read", "mix", "pod1.send", "pod2.send"])
    0
    """
    run = _run_across(names)
    if run is None:
        return 0
    kinds = [guess_name(CallName(name)).kind for name in names]
    families = [_family(name)[0] for name in names]
    seams = [k for k in range(len(names)) if families[k - 1] != families[k] or not families[k]]
    if len(gaps) == len(names) and seams:
        widest = max(seams, key=gaps.__getitem__)
        if gaps[widest] > _LONGER * max(gap for k, gap in enumerate(gaps) if k != widest):
            return widest
    written = [k for k in seams if kinds[k - 1] == "actuator write" != kinds[k]]
    return written[0] if len(written) == 1 else run


def _run_across(names: Sequence[str]) -> int | None:
    """Place of the first call of a run that goes on from the end of a cycle to its beginning."""
    family = [_family(name) for name in names]
    if not names or not family[0][0] or family[-1][0] != family[0][0]:
        return None
    same = [one[0] == family[0][0] for one in family]
    if all(same):  # nothing else is called: the numbers alone tell
        falls = [k for k, (a, b) in enumerate(pairwise(family), 1) if b[1] < a[1]]
        return falls[0] if len(falls) == 1 and family[-1][1] <= family[0][1] else None
    begins = len(same) - same[::-1].index(False)
    run = family[begins:] + family[: same.index(False)]
    rising = all(a[1] <= b[1] for a, b in pairwise(run))
    apart = {one[1] for one in run} if run[0][1] else {*names[begins:], *names[: same.index(False)]}
    return begins if rising and len(apart) >= _RUN else None


def _family(name: str) -> tuple[str, tuple[int, ...]]:
    """What like calls have in common, empty for a name of its own kind, and their numbers."""
    numbered = re.match(r".*[0-9]", name)
    if numbered is None:
        shape = like(name)
        return (shape if shape != name and re.search("[a-z]", shape, re.I) else ""), ()
    head = numbered[0]
    return re.sub(r"[0-9]+", "#", head), tuple(int(n) for n in re.findall(r"[0-9]+", head))
