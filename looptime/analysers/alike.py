"""Names that are alike: calls of many like devices, put together under one pattern."""

import re
from collections.abc import Hashable, Iterable

from looptime.call_words import NAME_PART, like

__all__ = ["grouped", "in_short", "pattern_of"]

_GIVEN = re.compile(r"(?<=[(\[])[^()\[\]]+(?=[)\]])")
_WORD, _LETTER = re.compile(r"[A-Za-z]{2}"), re.compile(r"[A-Za-z]")


def pattern_of(names: Iterable[str]) -> str:
    """One pattern for several names: what they begin and end with, and ``*`` between.

    Examples
    --------
    >>> pattern_of(["drive.front_left.read", "drive.rear_left.read"])
    'drive.*.read'
    >>> pattern_of(["encoder1Read", "encoder2Read"]), pattern_of(["gyro.read"])
    ('encoder*Read', 'gyro.read')
    >>> pattern_of(["pod0.turn.write", "pod1.turn.write", "pod1.roll.write"])
    'pod*.*.write'
    """
    rows = _without_numbers([NAME_PART.findall(name) for name in dict.fromkeys(names)])
    if all(row == rows[0] for row in rows):
        return "".join(rows[0])
    shortest = min(map(len, rows))
    head = _common(rows, shortest)
    tail = _common([row[::-1] for row in rows], shortest - head)
    first = rows[0]
    start, end = first[:head], first[len(first) - tail :]
    # a name is cut where its parts are joined by a point or a slash, not within a part
    if any("." in row or "/" in row for row in first):
        while start and start[-1] not in "./":
            start.pop()
        while end and end[0] not in "./":
            end.pop(0)
    return "".join([*start, "*", *end])


def _without_numbers(rows: list[list[str]]) -> list[list[str]]:
    """Tokens of names with ``*`` for the numbers in which they differ."""
    numbers = [[token for token in row if token.isdigit()] for row in rows]
    if len({len(found) for found in numbers}) > 1 or any("[" in token for token in rows[0]):
        return rows  # "[*]" would be a class of characters where the pattern is matched
    other = [len(set(column)) > 1 for column in zip(*numbers, strict=True)]
    made = []
    for row in rows:
        differs = iter(other)
        made.append(["*" if token.isdigit() and next(differs) else token for token in row])
    return made


def _common(rows: list[list[str]], most: int) -> int:
    for k in range(most):
        if len({row[k] for row in rows}) > 1:
            return k
    return max(most, 0)


def grouped(items: Iterable[tuple[str, Hashable]]) -> list[tuple[str, list[str]]]:
    """Names put together where they are alike.

    Alike are names with the same key (kind, bus, thread) whose first and last part are the same
    and which have more than one, or that differ in numbers, in words for a place, or in what a
    function is called with.

    Parameters
    ----------
    items : iterable of (str, hashable)
        Name and key, in the order to show.

    Returns
    -------
    list of (str, list of str)
        Pattern and members, in the order in which the first member came; a name alone is its
        own pattern.

    Examples
    --------
    >>> grouped([("mast.read", 1), ("drive.left.read", 1), ("drive.right.read", 1)])
    [('mast.read', ['mast.read']), ('drive.*.read', ['drive.left.read', 'drive.right.read'])]
    >>> grouped([("readEncoder(FL drive)", 1), ("readEncoder(RR drive)", 1)])[0][0]
    'readEncoder(* drive)'
    >>> grouped([("Front Left Encoder", 1), ("Rear Left Encoder", 1)])[0][0]
    '* Left Encoder'
    """
    groups: dict[Hashable, list[str]] = {}
    for name, key in items:
        groups.setdefault((key, _shape(name)), []).append(name)
    return [(pattern_of(members), members) for members in groups.values()]


def in_short(names: Iterable[str], most: int = 3) -> str:
    """Names in a sentence: like ones by their number and pattern, of many the first few.

    Examples
    --------
    >>> in_short(["drive.left.read", "drive.right.read", "mast.read"])
    '2 x drive.*.read and mast.read'
    >>> in_short(["a", "b", "c", "d", "e"])
    'a, b, c and 2 more'
    """
    groups = grouped((name, None) for name in names)
    told = [f"{len(members)} x {pattern}" if len(members) > 1 else pattern
            for pattern, members in groups]  # fmt: skip
    left = sum(len(members) for _, members in groups[most:])
    if left:
        return f"{', '.join(told[:most])} and {left} more"
    return " and ".join([", ".join(told[:-1]), told[-1]]) if len(told) > 1 else "".join(told)


def _shape(name: str) -> Hashable:
    parts = re.split(r"[./]", name)
    if len(parts) > 2:
        return like(parts[0]), like(parts[-1])
    called = _GIVEN.sub("#", name)  # what a function is called with
    shape = like(called)
    numbered = any(letter.isdigit() for letter in called)
    named = _WORD if numbered else _LETTER  # "t1" and "t2" are two things, "sFL" and "sFR" are not
    return shape if named.search(shape) else name  # nothing but a place
