"""Logs that say above their rows that they hold late loops only."""

import re
from collections.abc import Sequence

import numpy as np

from looptime.errors import LogError
from looptime.parsers.columns.evidence import rises
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.lexicon import LOOP_NUMBERS
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.units import UNITS

__all__ = ["SAID_LATE", "refuse_said_late"]

_LOOP = (
    r"(?:loops?|cycles?|iterations?|passes|frames?|schleifen?|zyklen|durchl\w+ufe|boucles?|"
    r"cycles|bucles?|ciclos?|cicli|la[c\u00e7]os?|lussen|cyclus\w*)"
)
#: Words that call a loop late beside it, and others that a limit with a unit follows.
_LATE = (
    r"(?:slow|late|long|overlong|overr[ua]n\w*|langsam\w*|sp\w+te[nrs]?|lange[nrs]?|lente?s?|"
    r"lent[aeio]s?|tard\w*|lung[hoai]\w*|trage|te late|lange)"
)
_OVER = (
    r"(?:longer(?: than)?|slower(?: than)?|over|above|exceed\w*|more than|beyond|l\w+nger(?: als)?|"
    r"langsamer(?: als)?|\w{1,2}ber|plus de|plus longues? que|m\w+s de|oltre|pi\w+ di|mais de|"
    r"langer(?: dan)?|boven|[>\u2265]=?)"
)
_LIMIT = (
    rf"(?<!\w){_OVER}\s*(?:the |die |das |de |la |le )?"
    r"(?:\d+(?:[.,]\d+)?\s*(?:[mun\u00b5\u03bc]?s|[a-z]{0,5}se[ck]\w*)\b"
    r"|(?:deadline|limit|budget|target|period|grenze|frist|limite)\b)"
)
_BE = r"(?:(?:that|which|die|qui|que|che|were|was|are|waren|sind|too|zu|trop)\s+){0,3}"
#: That nothing but slow loops is written, in words or by a limit.
SAID_LATE = re.compile(
    rf"\b(?:only|just|nur|seulement|uniquement|solo|s[o\u00f3]lo|solamente|soltanto|somente|"
    rf"s[o\u00f3]|apenas|alleen|enkel)\b[^.;,]{{0,40}}?"
    rf"(?:\b{_LOOP}\s+{_BE}(?<!\w){_LATE}(?!\w)|(?<!\w){_LATE}\s+{_LOOP}\b"
    rf"|\b{_LOOP}\b[^.;,]{{0,30}}?{_LIMIT})",
    re.IGNORECASE,
)
#: How far apart rows are, in lengths of their loops, that surely are not all loops.
_APART, _ENOUGH = 3.0, 5


def refuse_said_late(dialect: Dialect, above: Sequence[str], path: str) -> None:
    """Refuse rows of slow loops alone, as a line above them says, where they are far apart.

    Where loops are numbered, how many there are in between is told from these.

    Raises
    ------
    LogError
        If so, with what may be done.
    """
    line = next((line.strip(" #;%/") for line in above if SAID_LATE.search(line)), None)
    found = heads(dialect.header or ())
    if line is None or any(head.word in LOOP_NUMBERS for head in found):
        return
    clocks, longest = [], 0.0
    for head in found:
        values = numbers(dialect, head.index)
        known = values[np.isfinite(values)]
        if len(known) < _ENOUGH or head.unit is None:
            continue
        if rises(values):
            clocks.append(float(np.median(np.diff(known))) * UNITS[head.unit])
        else:
            longest = max(longest, float(np.median(known)) * UNITS[head.unit])
    if clocks and longest > 0 and min(clocks) > _APART * longest:
        raise LogError(
            f"holds slow loops only, as it says ({line!r}), {min(clocks) / 1e6:.4g} ms apart as a "
            f"rule, of some {longest / 1e6:.3g} ms each: neither the rate nor what is usual can be "
            "told; log every loop, or one in so many, with its number",
            path,
        )
