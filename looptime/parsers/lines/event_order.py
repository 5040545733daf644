"""What is odd in the order and the stamps of events, in words."""

import re
from collections import Counter
from itertools import pairwise

import numpy as np

from looptime.parsers.lines.events import Event
from looptime.parsers.lines.grid import spliced
from looptime.parsers.text.dialect import is_number

__all__ = ["out_of_turn"]

#: Of so few events, and of more odd ones than this share, nothing is told.
_FEW_EVENTS, _MOST_ODD = 12, 0.02
#: More events than this share that come too soon or too late are of two logs.
_MOST_CROSSED = 0.2
#: A name of one event is rare, or of no more than this share of them.
_RARELY = 0.002
_WORD = re.compile(r"[^\W_]+")


def out_of_turn(events: list[Event]) -> list[str]:
    """What is said of events that are missing, come twice, or have the stamp of the loop before.

    Examples
    --------
    >>> names = ["loop", "imu", "drive"] * 9
    >>> def log(names):
    ...     return [Event(at, str(at), name, None) for at, name in enumerate(names)]
    >>> out_of_turn(log(names))
    []
    >>> out_of_turn(log(names[:7] + names[8:]))
    ['in 1 place an event is missing that comes there else (imu): what follows it looks longer']
    """
    keys = [(event.name, event.side) for event in events]
    pairs = Counter(pairwise(keys))
    then = {}
    for (one, other), count in pairs.items():
        if count >= 0.6 * sum(n for (first, _), n in pairs.items() if first == one):
            then[one] = other
    missing: Counter[str] = Counter()
    twice: Counter[str] = Counter()
    for (one, other), count in pairs.items():
        due = then.get(one, one)
        if other == one != due:
            twice[one[0]] += count
        elif other != due and then.get(due) == other:
            missing[due[0]] += count
    said = []
    for found, what in (
        (missing, "an event is missing that comes there else ({}): what follows it looks longer"),
        (twice, "an event comes twice in a row ({}), as if it were sent again"),
    ):
        count = found.total()
        if count:
            named = ", ".join(name for name, _ in found.most_common(3))
            said.append(f"in {count:,} place{'s' * (count > 1)} " + what.format(named))
    share = _crossed(keys)
    if share > _MOST_CROSSED:
        said.append(
            f"{100 * share:.0f} % of the events come again before each of the others has come once:"
            " two logs may stand among each other"
        )
    ends = sorted({name.split()[-1] for name, _ in set(keys) if len(name.split()) > 1})
    begun = [one for one, other in pairwise(ends) if other.startswith(one)]
    if len(begun) > 1:
        said.append(
            f"names end within a word of others ({', '.join(begun[:3])}): were lines cut off? Then "
            "what else is missing is not known"
        )
    torn = _run_into_one(events)
    if torn:
        said.append(
            f"line {torn[0].line + 1}: {torn[0].name!r} begins as one name and ends as another"
            + (f", and {len(torn) - 1:,} more do so" if len(torn) > 1 else "")
            + ": bytes were lost there, and elsewhere maybe whole lines: loops around it look long"
        )
    odd = _out_of_line(events)
    if odd:
        said.append(
            f"line {odd[0] + 1}: a stamp that those before and after it contradict"
            + (f", and {len(odd) - 1:,} more" if len(odd) > 1 else "")
            + ": garbled? The calls around it last too long or too short"
        )
    still = _still(events)
    if still:
        many = "event has" if len(still) == 1 else "events have"
        said.append(
            f"{len(still):,} {many} the stamp of the one before of the same name, the first at "
            f"line {still[0] + 1}: the clock stood still, and the loop after it looks long"
        )
    return said


def _crossed(keys: list[tuple[str, int | None]]) -> float:
    """Share of the events that come again too soon or too late, of those that go round.

    Examples
    --------
    >>> _crossed([("loop", 0), ("imu", 0), ("drive", 0)] * 9)
    0.0
    >>> two = [("loop", 0), ("imu", 0), ("loop", 0), ("imu", 0), ("imu", 0), ("loop", 0)] * 9
    >>> _crossed(two) > 0.5
    True
    """
    count = Counter(keys)
    often = max(count.values(), default=0)
    round_ = {key for key, many in count.items() if many >= 0.95 * often}
    mine = [key for key in keys if key in round_]
    last: dict[tuple[str, int | None], int] = {}
    wrong = 0
    for at, key in enumerate(mine):
        wrong += key in last and at - last[key] != len(round_)
        last[key] = at
    return wrong / max(1, len(mine) - 1)


def _run_into_one(events: list[Event]) -> list[Event]:
    """Events of a rare name that two common ones make together, with a word that none of them has.

    Examples
    --------
    >>> log = [Event(at, str(at), ("imu read", "drive")[at % 2], None) for at in range(900)]
    >>> odd = [Event(900, "900", name, None) for name in ("imu ive", "imu drive", "lift")]
    >>> [event.name for event in _run_into_one(log + odd)]
    ['imu ive']
    """
    uses = Counter(event.name for event in events)
    often = [name for name, count in uses.items() if count > max(1, _RARELY * len(events))]
    words = {word for name in often for word in _WORD.findall(name)}
    torn = {name for name in uses if name not in often and spliced(name, often)
            and not words.issuperset(_WORD.findall(name))
            and not any(one.startswith(name) or one.endswith(name) for one in often)}  # fmt: skip
    return [event for event in events if event.name in torn]


def _out_of_line(events: list[Event]) -> list[int]:
    """Lines of single stamps that are later than the next one, or earlier than the one before."""
    known = [(float(e.stamp), e.line) for e in events if is_number(e.stamp)]
    if len(known) < len(events) or len(known) < _FEW_EVENTS:
        return []
    time, line = np.array([at for at, _ in known]), [at for _, at in known]
    before, now, after = time[:-2], time[1:-1], time[2:]
    odd = (before <= after) & ((now > after) | (now < before))
    return [line[at + 1] for at in np.flatnonzero(odd)] if odd.mean() < _MOST_ODD else []


def _still(events: list[Event]) -> list[int]:
    """Lines of events with the stamp of the last of their name, where few loops are so short."""
    last: dict[tuple[str, int | None], str] = {}
    lines = []
    for event in events:
        key = event.name, event.side
        if last.get(key) == event.stamp:
            lines.append(event.line)
        last[key] = event.stamp
    return lines if len(lines) < 0.4 * len(events) else []
