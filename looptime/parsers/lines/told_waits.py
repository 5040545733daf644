"""Sentences that tell one call each, with how long it waited and how long it took."""

import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from looptime.parsers.lines.grid import Grid, is_text
from looptime.parsers.lines.stamped_words import RUNS, stamped, threads_first, worded

__all__ = ["told_waits"]

_LENGTH = re.compile(r"(?<![\w.,])(\d+(?:[.,]\d+)?)\s?([mun\N{MICRO SIGN}]?s)(?![^\W\d_])")
_WAITED = re.compile(
    r"wait|block|queu|stall|delay|pend|wart|esper|attend|aspett|aguard", re.IGNORECASE
)
_WHOLE = re.compile(
    r"\b(?:total|altogether|overall|insgesamt|gesamt|sum)|\bin all\b", re.IGNORECASE
)
_RAN = re.compile(
    r"^(?:took|takes?|taking|held|holds?|holding|ran|runs?|running|work\w*|used?|using|last(?:s|ed|ing)"
    r"|serv\w+|busy|needed|spent|exec\w*|own\w*|dur\w*|dauer\w+|lief|hielt|brauchte|arbeitete"
    r"|tard\w+|us\w|kept|had|elapsed)$",
    re.IGNORECASE,
)
#: A wait that came before what the call took.
_AFTER = re.compile(r"\b(?:after|nach|tras|despu[ée]s)\b", re.IGNORECASE)
#: A row that tells the worst of a loop is a loop.
_WORST = re.compile(r"worst|slowest|longest|max|peak|top|loop|cycle|iteration", re.IGNORECASE)
_MOSTLY, _MOST_NAMES, _SHOWN = 0.95, 60, 2000
#: Share of the lines that are of another call than the one before, at least.
_BY_TURNS = 0.3


def told_waits(lines: Sequence[str]) -> Grid | None:
    """Calls of sentences that name one each by turns, with several lengths; None of other lines.

    Examples
    --------
    >>> each = "main: gyro waited 5.0 ms, took 2.5 ms", "cam: grab waited 0.0 ms, took 7.1 ms"
    >>> log = [f"[{k / 100:.2f}] {each[k % 2]}" for k in range(40)]
    >>> grid = told_waits(log)
    >>> grid.header(), grid.rows[0]
    (['time', 'thread', 'name', 'waited [ms]', 'took [ms]'], ['0.00', 'main', 'gyro', '5.0', '2.5'])
    """
    shown = [line for line in lines[:_SHOWN] if is_text(line)]
    if len(shown) < RUNS:
        return None
    shapes = Counter(found[3] for line in shown if (found := _sentence(line)))
    if not shapes:
        return None
    shape, uses = shapes.most_common(1)[0]
    roles = _roles(shape)
    if uses < _MOSTLY * len(shown) or roles is None:
        return None
    rows = [found if (found := _sentence(line)) and found[3] == shape else None for line in lines]
    named = [row[2] for row in rows if row]
    width = Counter(map(len, named)).most_common(1)[0][0]
    varies = [at for at in range(width) if len({w[at] for w in named if len(w) == width}) > 1]
    same = {w[at] for w in named if len(w) == width for at in range(width) if at not in varies}
    if not 1 <= len(varies) <= 2 or any(map(_WORST.search, same)):
        return None
    pairs = [tuple(w[at] for at in varies) for w in named if len(w) == width]
    if len(set(pairs)) > _MOST_NAMES or len(pairs) < _MOSTLY * len(named):
        return None
    turns = sum(one != other for one, other in pairwise(pairs))
    if turns < _BY_TURNS * len(pairs):  # a loop whose phase changes now and then
        return None
    if len(varies) == 2 and not threads_first([(one[0], one[1]) for one in pairs]):
        varies.reverse()
    grid = Grid(list(lines), [None] * len(lines))
    for name in ("time", *("thread", "name")[-len(varies) :], *(role for role in roles if role)):
        grid.column(name)
    for at, row in enumerate(rows):
        if row is None or len(row[2]) != width:
            continue
        stamp, unit, words, of, lengths = row
        told = [length for length, role in zip(lengths, roles, strict=True) if role]
        grid.rows[at] = [stamp, *(words[k] for k in varies), *told]
        units = [u for u, role in zip(of[-1], roles, strict=True) if role]
        grid.units = [unit, *[None] * len(varies), *units]
    return grid


_Shape = tuple[tuple[str, ...], str, tuple[str, ...]]


def _sentence(line: str) -> tuple[str, str | None, list[str], _Shape, list[str]] | None:
    """Stamp, its unit, words of the subject, what all such lines share, and the lengths."""
    at = stamped(line)
    found = list(_LENGTH.finditer(at[2])) if at else []
    if at is None or not 2 <= len(found) <= 4:
        return None
    edges = [0, *(edge for one in found for edge in one.span()), len(at[2])]
    pieces = [at[2][low:high] for low, high in zip(edges[::2], edges[1::2], strict=True)]
    if any(c.isdigit() for c in "".join(pieces[1:])):
        return None
    words = worded(pieces[0])
    verb = next((k for k, w in enumerate(words) if _WAITED.match(w) or _RAN.match(w)), len(words))
    if not words[:verb] or any(word[0].isdigit() for word in words[:verb]):
        return None
    verbs = " ".join(words[verb:])
    shape = (tuple(pieces[1:]), verbs, tuple(one[2] for one in found))
    return at[0], at[1], words[:verb], shape, [one[1].replace(",", ".") for one in found]


def _roles(shape: _Shape) -> list[str] | None:
    """What each length is: ``waited``, ``took``, or nothing where another says the whole."""
    pieces, verbs, units = shape
    behind = not verbs.strip()  # 2 ms waiting, 5 ms held
    said = [*pieces] if behind else [verbs, *pieces[:-1]]
    waits = [bool(_WAITED.search(one)) for one in said[: len(units)]]
    whole = [bool(_WHOLE.search(one)) for one in said[: len(units)]]
    ran = [any(map(_RAN.match, worded(one))) for one in said[: len(units)]]
    if not behind and not any(waits) and len(units) == 2 and _WAITED.search(pieces[-1]):
        # took 7 ms (5 ms waiting): it is in what the call took
        return ["took", "waited" if _AFTER.search(pieces[0]) else ""] if ran[0] else None
    if not behind and not any(whole) and len(units) > 2 and _WHOLE.search(pieces[-1]):
        whole[-1] = True
    if sum(waits) != 1:
        return None
    if any(whole):
        return ["took" if one else "" for one in whole] if sum(whole) == 1 else None
    if len(units) != 2 or not ran[waits.index(False)]:
        return None  # the other may be an age, a limit or a mean
    return ["waited" if one else "took" for one in waits]
