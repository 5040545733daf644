"""A clock that was set while it was read: said by a line of the log, or by a second clock in it."""

import re

import numpy as np

from looptime.parsers.layouts.contract import Parsed
from looptime.stats.arrays import median

__all__ = ["why_set"]

#: Words for a clock, and for what is done to it, in a line between two rows.
_CLOCK = r"(?:clock|time|uhr(?:zeit)?|zeit|horloge|heure|reloj|hora|orologio|ora)"
_SET = (
    r"(?:set|reset|sync\w*|synchroni[sz]\w*|step(?:ped)?|adjust\w*|jump(?:ed|s)?|correct(?:ed|ion)"
    r"|gestellt|abgeglichen|gesprungen|réglée?|ajust\w*|sincroni\w*|regolat\w*)"
)
_SAID = re.compile(rf"\b{_CLOCK}\b.*\b{_SET}\b|\b{_SET}\b.*\b{_CLOCK}\b", re.IGNORECASE)
#: So much of a line is looked at, and shown.
_LOOKED_AT, _SHOWN = 200, 60
#: Share of the usual length by which a loop's own length may differ from it, and from the clock.
_NEAR, _MOSTLY = 0.5, 0.9


def why_set(parsed: Parsed, row: int) -> str:
    """Why the clock was set before a row of the table, in words; empty where nothing says so."""
    line = parsed.table.line_of(np.array([max(row - 1, 0), row]))
    rejects = parsed.table.rejects
    texts = [*parsed.table.between, *zip(rejects.line, rejects.text, strict=True)]
    for at, text in texts:
        if line[0] < at <= line[1] and _SAID.search(text[:_LOOKED_AT]):
            return f"and line {at} says {text.strip()[:_SHOWN]!r}"
    return _by_own_length(parsed, row)


def _by_own_length(parsed: Parsed, row: int) -> str:
    """The same by a column with the length of each loop, which is as ever there."""
    time, period = (parsed.table.columns.get(key) for key in ("time", "period"))
    if time is None or period is None or not row or len(time) != len(period):
        return ""
    usual, step = median(period), np.diff(time)
    alike = max(float((np.abs(step - length) <= _NEAR * usual).mean())
                for length in (period[1:], period[:-1]))  # fmt: skip
    # whichever row holds the length of that step: a stall stands in one of them, if only cut short
    around = period[max(row - 2, 0) : row + 2]
    if alike < _MOSTLY or (np.abs(around - usual) > _NEAR * usual).any():
        return ""
    return f"and no loop's own length there is over {int(around.max()) / 1e6:.4g} ms"
