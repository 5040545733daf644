"""Lines that each say how long ago the line before was, and what has been done or begun since."""

import re
from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np

from looptime.array_types import Float
from looptime.parsers.layouts.edge_words import WORDS
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.grid import Grid, fit_cell
from looptime.parsers.text.dialect import LONGEST_REMARK, is_remark
from looptime.parsers.text.sniff import stated_unit
from looptime.records import dataclass
from looptime.units import word_unit

__all__ = ["since_before"]

_NUMBER = (
    r"(?P<sign>\+?)(?P<number>\d+(?:[.,]\d+)?)(?:\s*(?P<unit>[mun\u00b5\u03bc]?s|[mun]?secs?)\b)?"
)
#: A line with its time before or behind its text; no run of marks or blanks is gone over twice.
_LINES = (
    re.compile(
        rf"^\s*(?:[\[(]\s*)?{_NUMBER}(?:\s*[\])])?[\s:|,;-]+(?P<text>[^\d\s](?:.*\S)?)\s*$",
        re.IGNORECASE,
    ),
    re.compile(
        rf"^\s*(?P<text>\S(?:.*?[^\s:|,;-])??)[\s:|,;-]+[\[(]?{_NUMBER}(?:\s*[\])])?\s*$",
        re.IGNORECASE,
    ),
)
#: What a line is called in a title; what is said of times since the one before, in seven languages.
_ROW = r"(?:lines?|rows?|events?|entry|entries|records?|marks?|prints?)\b"
_ZEILE = r"(?:zeile|meldung|eintrag|ereignis\w*|marke)\b"
_LIGNE = r"(?:ligne|entr[e\u00e9]e|.v[e\u00e9]nement|l[i\u00ed]nea|linha|entrada|evento|registro)"
_SAID = re.compile(
    rf"since (?:the )?(?:last|previous|prior|preceding) {_ROW}"
    rf"|since (?:the )?(?:one|{_ROW}) before"
    r"|\bseit (?:de[rm] )?(?:vorige|letzte|vorherige|vorhergehende)[nrm]?"
    rf"(?: {_ZEILE}|\s*(?:$|[.,;)]))"
    rf"|depuis (?:la |le |l.)?{_LIGNE} pr[e\u00e9]c[e\u00e9]dent"
    rf"|desde (?:la |el |a |o )?{_LIGNE} anterior"
    r"|dalla (?:riga|voce) precedente|dall.evento precedente"
    r"|sinds (?:de |het )?vorige (?:regel|rij|gebeurtenis|melding)",
    re.IGNORECASE | re.MULTILINE,
)
#: Words behind what is over, beside those of a column of edges.
_DONE = frozenset((
    "complete", "completed", "over", "ok", "fertig", "beendet", "erledigt", "fini", "finie",
    "termine", "termin\u00e9", "hecho", "listo", "terminado", "fatto", "finito", "feito", "pronto",
    "klaar", "gereed",
))  # fmt: skip
#: Lines that tell, the share of them that must be alike, and how few may go on as a clock would.
_ROWS, _MOSTLY, _RISES = 12, 0.95, 0.9
#: A text is one of a few that come again and again.
_AGAIN = 3
_FIRST = 250


@dataclass(frozen=True)
class _Line:
    at: int
    length: str
    unit: str | None
    text: str


def since_before(first: Sequence[str], every: Callable[[], list[str]]) -> Grid | None:
    r"""Calls of a log whose lines hold the time since the line before; None of other logs.

    A title says so, or each number has a plus before it and they rise neither throughout nor up
    to a name at which they begin anew. What is done, or is named alone, took that time; what
    begins, the time of the line that follows.

    Parameters
    ----------
    first : sequence of str
        The first lines.
    every : function
        All lines.

    Examples
    --------
    >>> lines = ["# ms since the line before", *["+0.25 top", "+2.5 imu done", "+3 arm done"] * 9]
    >>> since_before(lines, lambda: lines).rows[2:4]
    [['0.25', '2.5', 'imu'], ['2.75', '3', 'arm']]
    """
    found = _alike(list(first[:_FIRST]))
    if found is None:
        return None
    lines = every()
    found = _alike(lines)
    if found is None:
        return None
    unit = found[0].unit or stated_unit([lines[at] for at in range(found[0].at)])[0]
    unit = unit or _title_unit(lines[: found[0].at])
    return _as_grid(lines, found, unit)


def _alike(lines: list[str]) -> list[_Line] | None:
    """Lines with a time and a text each, where the times are those since the line before."""
    for pattern in _LINES:
        told = [(at, pattern.match(line[:LONGEST_REMARK])) for at, line in enumerate(lines)]
        rows = [(at, one) for at, one in told if one and not is_remark(lines[at])]
        above = "\n".join(line[:LONGEST_REMARK] for line in lines[: rows[0][0]]) if rows else ""
        said = _SAID.search(above) is not None
        mine = [(at, one) for at, one in rows if one["sign"] or said]
        others = sum(not is_remark(line) for line in lines) - len(mine)
        if len(mine) < _ROWS or others > (1 - _MOSTLY) * len(mine) + 1:
            continue
        units = {one["unit"] and word_unit(one["unit"]) for _, one in mine}
        lengths = np.array([float(one["number"].replace(",", ".")) for _, one in mine])
        texts = {one["text"] for _, one in mine}
        # alone a plus may be the sign of a reading
        sure = said or None not in units or any(_parted(text)[1] == END for text in texts)
        rising = float((np.diff(lengths) >= 0).mean()) > _RISES
        rising |= not said and _is_reset([one["text"] for _, one in mine], lengths)
        if sure and len(units) == 1 and not rising and 1 < len(texts) <= len(mine) / _AGAIN:
            return [_Line(at, one["number"].replace(",", "."), next(iter(units)), one["text"])
                    for at, one in mine]  # fmt: skip
    return None


def _is_reset(texts: Sequence[str], lengths: Float) -> bool:
    """Whether times rise up to one text, at which they always begin anew: since a loop's start."""
    falls = Counter(text for text, by in zip(texts[1:], np.diff(lengths), strict=True) if by < 0)
    (text, often), *_ = falls.most_common(1) or [("", 0)]
    return often >= _MOSTLY * max(falls.total(), texts[1:].count(text))


def _title_unit(above: Sequence[str]) -> str | None:
    """The one unit of time that a title names beside what it says of the times."""
    words = [
        word for line in above if _SAID.search(line) for word in re.findall(r"[^\W\d_]+", line)
    ]
    units = {unit for word in words if (unit := word_unit(word))}
    return units.pop() if len(units) == 1 else None


def _as_grid(lines: list[str], found: list[_Line], unit: str | None) -> Grid:
    """The lines as calls, or as begins and ends where texts say both of one name."""
    named = {one.text: _parted(one.text) for one in found}
    sides = set(named.values())
    both = any((name, END) in sides for name, side in sides if side == BEGIN)
    begun = sum(named[one.text][1] == BEGIN for one in found) > _MOSTLY * len(found)
    names = ["time", "name"] if both else ["start", "duration", "name"]
    units = [unit, None] if both else [unit, unit, None]
    made = Grid(lines, rows=[None] * len(lines), names=names, units=units)
    digits = max(len(one.length.partition(".")[2]) for one in found)
    ticks = np.cumsum([round(float(one.length) * 10**digits) for one in found]).tolist()
    for k, one in enumerate(found):
        name = fit_cell(named[one.text][0])
        if both:
            made.rows[one.at] = [_printed(ticks[k], digits), fit_cell(one.text)]
        elif not begun and named[one.text][1] == BEGIN:  # what passed before is of nothing
            made.rows[one.at] = [_printed(ticks[k], digits), "0", fit_cell(one.text)]
        elif not begun:
            start = _printed(ticks[k - 1] if k else 0, digits)
            made.rows[one.at] = [start, one.length, name]
        elif k + 1 < len(found):
            made.rows[one.at] = [_printed(ticks[k], digits), found[k + 1].length, name]
    return made


def _printed(ticks: int, digits: int) -> str:
    return f"{ticks // 10**digits}.{ticks % 10**digits:0{digits}d}" if digits else str(ticks)


def _parted(text: str) -> tuple[str, int | None]:
    """What a text names, and whether that begins or is over.

    Examples
    --------
    >>> _parted("read gyro done"), _parted("begin arm"), _parted("top")
    (('read gyro', 1), ('arm', 0), ('top', None))
    """
    words = text.split()
    for word, rest in ((words[-1], words[:-1]), (words[0], words[1:])):
        plain = word.lower().strip(".!:")
        side = END if plain in _DONE else WORDS.get(plain) if len(plain) > 2 else None
        if rest and side in (BEGIN, END):
            return " ".join(rest), side
    return text, None
