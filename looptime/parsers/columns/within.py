"""Parts that lie in other parts or run beside the loop, so that none is counted twice."""

import re
from collections import Counter
from dataclasses import replace
from itertools import combinations

import numpy as np

from looptime.array_types import Float
from looptime.call_words import guess_name
from looptime.parsers.columns.against_steps import (
    ENOUGH,
    MOST,
    ROOM,
    Steps,
    holds_others,
    over,
    slope,
    summed,
    together,
)
from looptime.parsers.columns.inside import enclosing
from looptime.parsers.columns.role import Role, Seen
from looptime.schema import CallName
from looptime.stats.arrays import mad

__all__ = ["within"]

#: Longer than any log; more of them still add up in 64 bits [ns].
_MOST_NS = 1e15
#: Of the longest so many may each be what holds all others; two that do are as long as each other.
_LONGEST = 3
#: Of more parts that are too long together, each is not held against each: the time would grow with
#: the third power of their number.
_SEARCHED = 40
#: Of the rows in which parts are longer than the loop, those that may still be where one part is
#: taken from the row beside.
_ACROSS = 0.1
#: Loops in a row that are held together against their parts where a clock ticks coarsely, and the
#: lengths of steps that show such a clock.
_IN_A_ROW, _LEVELS = 32, 3
#: Fewest lengths of which one may be the period of a loop that waits for its tick, the share of the
#: rows in which it holds the others, and how much less it varies than they do.
_FEWEST, _HELD, _MORE_EVEN = 3, 0.99, 0.5
#: Words of names that say that a part lies in another; parts of which two may lie in others.
_OF_WHICH = frozenset(("which", "davon", "dont", "cui", "cuales", "waarvan", "quais"))
_PAIRED = 12


def within(seen: list[Seen], steps: Steps, roles: dict[int, Role]) -> dict[int, Role]:
    """Parts that lie in other parts or run beside the loop, so that none is counted twice."""
    parts = [at for at, r in roles.items() if r.taken_as == "part" and r.unit_ns]
    roles = dict(roles)
    lengths = {at: seen[at].values * (roles[at].unit_ns or 1) for at in parts}
    named = _named_in({at: frozenset(seen[at].words) for at in parts})
    for inner in parts:
        around = [at for at in named[inner] if _lies_in(lengths[inner], lengths[at])]
        if around:
            nearest = max(around, key=lambda at: len(seen[at].words))
            why = "its name says so and it is never longer"
            roles[inner] = replace(roles[inner], inside=nearest, why=why, sure="likely")
    _several_in_one(seen, named, lengths, roles)
    if len(parts) < 2:
        return roles
    _of_which(seen, parts, lengths, roles)
    _held_by_a_whole(seen, parts, lengths, roles)
    table = np.stack([lengths[at] for at in parts], axis=1)
    sums = enclosing(np.clip(np.nan_to_num(table), -_MOST_NS, _MOST_NS).astype(np.int64))
    for inner, outer in zip(parts, sums, strict=True):
        if outer >= 0 and roles[inner].inside < 0:
            why = f"{seen[parts[outer]].name} is the sum of it and others"
            roles[inner] = replace(roles[inner], inside=parts[outer], why=why)
    top = [at for at in parts if roles[at].inside < 0]
    if not any(r.taken_as in ("whole", "period") for r in roles.values()):
        why = "it is the sum of all others"
        if len(top) > 1:
            table = np.nan_to_num(np.stack([lengths[at] for at in top]))
            longest = np.argsort(-table.mean(axis=1), kind="stable")[:_LONGEST].tolist()
            table = np.stack([lengths[at] for at in top])
            top = [top[place] for place in sorted(longest) if holds_others(table, place)]
            why = "it is longer than all others together by about the same in each row"
        if len(top) == 1:
            roles[top[0]] = replace(roles[top[0]], taken_as="whole", why=why)
            return {at: replace(r, inside=-1) if r.inside == top[0] else r
                    for at, r in roles.items()}  # fmt: skip
        if (even := _even(seen, lengths, steps)) >= 0:
            why = "all others fit into it in each row, and it is far more even than they are"
            roles[even] = replace(roles[even], taken_as="period", why=why, sure="likely")
    while steps.known:
        top = [at for at in parts if roles[at].taken_as == "part" and roles[at].inside < 0]
        if len(top) < 2 or not _too_long([lengths[at] for at in top], steps):
            break
        if len(top) > _SEARCHED:
            _beside(top[_SEARCHED:], roles)
        else:
            _make_room(seen, top, lengths, steps, roles)
    return roles


def _even(seen: list[Seen], lengths: dict[int, Float], steps: Steps) -> int:
    """The length that holds all others and is about constant, as a paced period; -1 for none.

    What is named like a call, or takes part of the loop beside others, may be as even as that: it
    is asked only of a log without a clock, and of no name that says what is done.
    """
    if steps.some or len(lengths) < _FEWEST:
        return -1
    longest = max(lengths, key=lambda at: float(np.nanmedian(lengths[at])))
    rest = summed([one for at, one in lengths.items() if at != longest])
    own = lengths[longest]
    if rest is None or guess_name(CallName(seen[longest].name)).kind != "other":
        return -1
    known = np.isfinite(own) & np.isfinite(rest)
    if known.sum() < ENOUGH or over(rest, own) > 1 - _HELD or not np.ptp(own[known]) > 0:
        return -1
    return longest if mad(own[known]) < _MORE_EVEN * mad(rest[known]) else -1


def _named_in(words: dict[int, frozenset[str]]) -> dict[int, list[int]]:
    """For each part those whose names are some of the words of its own, in their order.

    Examples
    --------
    >>> _named_in({0: frozenset("a"), 1: frozenset("ab"), 2: frozenset("c"), 3: frozenset("cab")})
    {0: [], 1: [0], 2: [], 3: [0, 1, 2]}
    """
    named: dict[frozenset[str], list[int]] = {}
    for at, own in words.items():
        named.setdefault(own, []).append(at)
    uses = Counter(word for own in named for word in own)
    under: dict[str, list[frozenset[str]]] = {}  # names under that word which fewest names have
    for own in named:
        if own:
            under.setdefault(min(own, key=lambda word: (uses[word], word)), []).append(own)
    around = {own: sorted(at for word in own for less in under.get(word, ()) if less < own
                          for at in named[less]) for own in named}  # fmt: skip
    return {at: around[own] for at, own in words.items()}


def _several_in_one(
    seen: list[Seen], named: dict[int, list[int]], lengths: dict[int, Float], roles: dict[int, Role]
) -> None:
    """Put parts into the one that their names begin with, where it holds them all together.

    What one of them takes more another may take less, so that none alone goes with the whole.
    """
    held: dict[int, list[int]] = {}
    for one, around in named.items():
        for outer in around:
            held.setdefault(outer, []).append(one)
    for outer in sorted(held, key=lambda at: -len(seen[at].words)):  # the innermost first
        inner = [at for at in held[outer] if roles[at].inside in (-1, outer)]
        total = np.sum([np.nan_to_num(lengths[at]) for at in inner], axis=0)
        if len(inner) < 2 or not _lies_in(total, lengths[outer]):
            continue
        for at in inner:
            why = f"its name says so and {seen[outer].name} holds it with others named so"
            roles[at] = replace(roles[at], inside=outer, why=why, sure="likely")


def _of_which(
    seen: list[Seen], parts: list[int], lengths: dict[int, Float], roles: dict[int, Role]
) -> None:
    """Put parts whose names say "of which" into the nearest before them that is never shorter."""
    said = {at: _OF_WHICH & set(re.split(r"[\W_]+", seen[at].name.lower())) for at in parts}
    for inner in sorted(parts):
        if roles[inner].inside >= 0 or not said[inner]:
            continue
        for outer in sorted((at for at in parts if at < inner), reverse=True):
            if not said[outer] and _never_longer(lengths[inner], lengths[outer]):
                why = f"its name says so and {seen[outer].name} is never shorter"
                roles[inner] = replace(roles[inner], inside=outer, why=why)
                break


def _held_by_a_whole(
    seen: list[Seen], parts: list[int], lengths: dict[int, Float], roles: dict[int, Role]
) -> None:
    """Put parts into others where all together are longer than the whole that holds the others.

    Where it can't be told in which, they are left beside: nothing is counted twice.
    """
    wholes = (seen[at].values * role.unit_ns for at, role in roles.items() if role.unit_ns
              and (role.taken_as, role.sure, role.moved) == ("whole", "sure", 0))  # fmt: skip
    whole = next(wholes, None)
    top = [at for at in parts if roles[at].inside < 0]
    if whole is None or len(top) < _FEWEST or len(top) > _SEARCHED:
        return
    total = summed([lengths[at] for at in top])
    if total is None or over(total, whole) <= 1 - MOST:
        return
    around = {at: [o for o in top if o != at and _never_longer(lengths[at], lengths[o])]
              for at in top}  # fmt: skip
    inner = [at for at in top if around[at]]
    fit = []
    for some in (*((one,) for one in inner), *combinations(inner[:_PAIRED], 2)):
        rest = total - np.nansum([lengths[at] for at in some], axis=0)
        if over(rest, whole) <= 1 - _HELD and all(set(around[at]) - {*some} for at in some):
            fit.append((len(some), mad(whole - rest), some))
    for at in min(fit)[2] if fit else ():
        outer = max(set(around[at]) - {*min(fit)[2]}, key=lambda o: _grows(lengths[at], lengths[o]))
        why = "beside the others it would not fit into the whole: it lies in "
        if len(around[at]) == 1 or _grows(lengths[at], lengths[outer]) > 0:
            why += seen[outer].name
            roles[at] = replace(roles[at], inside=outer, why=why, sure="likely")
        else:
            why += "one of them"
            roles[at] = replace(roles[at], taken_as="beside", why=why, sure="unsure")


def _never_longer(inner: Float, outer: Float) -> bool:
    both = np.isfinite(inner) & np.isfinite(outer)
    return both.sum() >= ENOUGH and over(inner[both], outer[both]) <= 1 - _HELD


def _too_long(lengths: list[Float], steps: Steps) -> bool:
    """Whether parts one after another would be longer than the loop."""
    total = summed(lengths)
    assert total is not None
    longer = min(over(total, steps.after), over(total, steps.before))
    if longer <= 1 - MOST or (steps.coarse and _fit_together(total, steps)):
        return False
    return not _one_of_next(lengths, total, steps)


def _fit_together(total: Float, steps: Steps) -> bool:
    """Whether many loops in a row are as long as their parts, to a tick of a coarse clock.

    Such a clock counts single loops short by up to a tick; what it leaves out of one stands in the
    next, so that their sum is short by no more.
    """
    levels = np.unique(np.rint(steps.after[np.isfinite(steps.after)]))
    if len(total) < _IN_A_ROW or len(levels) < _LEVELS:
        return False
    tick = float(np.diff(levels).min())
    if (total > ROOM * steps.after + tick).mean() > 1 - MOST:
        return False
    sums = (np.append(0.0, np.cumsum(np.nan_to_num(x))) for x in (total, steps.after))
    parts, loops = (x[_IN_A_ROW:] - x[:-_IN_A_ROW] for x in sums)
    return float((parts > ROOM * loops + tick).mean()) <= 1 - MOST


def _one_of_next(lengths: list[Float], total: Float, steps: Steps) -> bool:
    """Whether they fit where one part is that of the row beside: it lies across the stamp."""
    if len(lengths) > _SEARCHED:
        return False
    for step, move in ((steps.after, -1), (steps.before, 1)):
        moved = (total - one + np.roll(one, move) for one in map(np.nan_to_num, lengths))
        if any(over(one, step) <= _ACROSS * over(total, step) for one in moved):
            return True
    return False


def _make_room(
    seen: list[Seen],
    top: list[int],
    lengths: dict[int, Float],
    steps: Steps,
    roles: dict[int, Role],
) -> None:
    """Put one part that is too much into another, or beside the loop."""
    own = {at: lengths[at].copy() for at in top}  # without what lies in each
    for at, role in roles.items():
        if role.inside in own:
            own[role.inside] -= np.nan_to_num(lengths[at])
    pairs = [
        (fit, inner, outer)
        for inner in top
        for outer in top
        if inner != outer and (fit := _grows(lengths[inner], own[outer])) > 0
    ]
    if pairs:
        _, inner, outer = max(pairs)
        why = f"{seen[outer].name} grows with it one for one and is never shorter"
        roles[inner] = replace(roles[inner], inside=outer, why=why, sure="likely")
        return
    told = _told(np.stack([lengths[at] for at in top], axis=1), steps)
    length = [float(np.nanmedian(lengths[at])) for at in top]
    _, _, least = min(zip(told, [-one for one in length], top, strict=True))
    if np.ptp(lengths[least]) == 0:  # no length is measured alike to the digit in each row
        why = "it is the same in each row, and with it the parts would be longer than the loop"
        roles[least] = replace(roles[least], taken_as="setting", why=why, sure="likely")
    else:
        _beside([least], roles)


def _beside(parts: list[int], roles: dict[int, Role]) -> None:
    """Take parts for what runs beside the others."""
    why = "with it the parts would be longer than the loop: it runs beside them, or holds some"
    for at in parts:
        roles[at] = replace(roles[at], taken_as="beside", why=why, sure="unsure")


def _told(lengths: Float, steps: Steps) -> list[float]:
    """In how many standard errors the steps grow with each part one for one, 0 where not."""
    best = np.zeros(lengths.shape[1])
    for step in (steps.after, steps.before):
        fit = together(lengths, step)
        if fit is not None:
            good = (fit.slope > 0.6) & (fit.slope < 1.5)
            best = np.maximum(best, np.where(good, fit.slope / fit.error, 0.0))
    return [float(one) for one in best]


def _lies_in(inner: Float, outer: Float) -> bool:
    """Whether one part may lie in another: never longer, and the other grows with it."""
    return _grows(inner, outer) >= 0.2


def _grows(inner: Float, outer: Float) -> float:
    """Share of the outer part's variance that the inner explains; 0 where it cannot lie in it."""
    both = np.isfinite(inner) & np.isfinite(outer)
    if both.sum() < ENOUGH or not (inner[both] <= ROOM * outer[both]).mean() >= 0.99:
        return 0.0
    fit = slope(inner, outer)
    return fit[1] if fit is not None and 0.6 <= fit[0] <= 1.5 and fit[1] >= 0.05 else 0.0
