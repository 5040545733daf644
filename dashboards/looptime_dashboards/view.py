"""What a page shows, as its address says it: every part is checked before it is used."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, fields, replace
from typing import Any
from urllib.parse import parse_qsl, urlencode

from looptime.schema import LAYOUTS

__all__ = ["View", "read_view"]

_KEY = re.compile(rf"[0-9a-f]{{16}}(\.({'|'.join(LAYOUTS)}))?(-\d{{1,4}})?")
_MOTION = re.compile(r"(recorded|(steady|turn|weave):[0-9.,eE+-]{1,60})")
_NOTE = re.compile("[0-9a-f]{12}")
_BY = ("loops", "time")
_GROUPS = ("call", "kind", "subsystem", "device", "bus")
_MOST_KEYS = 40
_MOST_TEXTS = 20
_LONGEST = 300
_FIELDS = ("motion", "deg", "mm")
_LONG_NAME = 12_000


@dataclass(frozen=True)
class View:
    """The choices that hold on every page."""

    #: Key of the run: made from the log's content, so that a restarted server knows it; with the
    #: layout by which it is read where that was asked for, and the number of the run.
    run: str = ""
    phase: str = ""  #: Phase of the log; empty for the usual one
    #: The range that is looked at [s].
    start: float | None = None
    end: float | None = None
    warmup: str = ""  #: ``keep`` where the warm-up stays in the figures
    loop: int | None = None  #: Number of the chosen loop
    by: str = "loops"  #: What the histogram counts: ``loops`` or ``time``
    group: str = "call"  #: What costs are added up by
    #: Keys of the runs that the run is held against, and of those that stand beside it.
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    change: tuple[str, ...] = ()  #: Remedies that are switched on
    open: tuple[str, ...] = ()  #: Patterns of like calls that are shown one by one
    call: str = ""  #: Name of the chosen call
    seek: str = ""  #: Finding whose remedy is to be switched on: its code and its call
    #: Keys of the runs that are put beside each other, and the season's runs that are.
    beside: tuple[str, ...] = ()
    query: str = ""
    note: str = ""  #: The note that is to be taken out
    present: str = ""  #: ``yes`` where the figures are shown one by one
    hold: str = ""  #: ``yes`` where the live page stands still
    log: str = ""  #: Name of the log that the live page follows; empty for the newest
    #: Motion and tolerances of the heading page.
    motion: str = ""
    deg: float | None = None
    mm: float | None = None
    #: What was given for a field and makes no sense there: name and text.
    wrong: tuple[tuple[str, str], ...] = field(default=(), repr=False)

    def but(self, **changes: Any) -> View:
        """The same view with something changed."""
        return replace(self, **changes)

    @property
    def search(self) -> str:
        """As it stands in an address; what is as usual is left out.

        Examples
        --------
        >>> View(run="0123456789abcdef", start=2.5, before=("fedcba9876543210",)).search
        '?run=0123456789abcdef&start=2.5&before=fedcba9876543210'
        """
        usual = View()
        pairs = []
        for one in fields(self)[:-1]:
            value = getattr(self, one.name)
            if value == getattr(usual, one.name):
                continue
            for part in value if isinstance(value, tuple) else (value,):
                pairs.append((one.name, f"{part:g}" if isinstance(part, float) else str(part)))
        return "?" + urlencode(pairs) if pairs else ""


def read_view(search: str | None) -> View:
    """The view that an address asks for; what makes no sense is left out.

    Parameters
    ----------
    search : str or None
        The part of the address from its question mark on.

    Examples
    --------
    >>> read_view("?run=../../etc/passwd&loop=7&start=abc")
    View(run='', phase='', start=None, end=None, warmup='', loop=7, by='loops', group='call', \
before=(), after=(), change=(), open=(), call='', seek='', beside=(), query='', \
note='', present='', hold='', log='', motion='', deg=None, mm=None)
    """
    if not isinstance(search, str) or len(search) > 20_000:
        return View()
    given: dict[str, list[str]] = {}
    for name, value in parse_qsl(search.lstrip("?"), max_num_fields=200)[:200]:
        given.setdefault(name, []).append(value)
    last = {name: values[-1] for name, values in given.items()}
    start, end = _number(last.get("start")), _number(last.get("end"))
    upside_down = start is not None and end is not None and end <= start
    if upside_down:
        start = end = None
    made = View(
        run=_matched(_KEY, last.get("run", "")),
        phase=last.get("phase", "")[:_LONGEST],
        start=start,
        end=end,
        warmup="keep" if last.get("warmup") == "keep" else "",
        loop=_whole(last.get("loop")),
        by=_one_of(_BY, last.get("by")),
        group=_one_of(_GROUPS, last.get("group")),
        before=_keys(given.get("before", [])),
        after=_keys(given.get("after", [])),
        change=_texts(given.get("change", [])),
        open=_texts(given.get("open", [])),
        call=last.get("call", "")[:_LONG_NAME],
        seek=last.get("seek", "")[:_LONG_NAME],
        beside=_keys(given.get("beside", [])),
        query=last.get("query", "")[:_LONGEST],
        note=_matched(_NOTE, last.get("note", "")),
        present="yes" if last.get("present") == "yes" else "",
        hold="yes" if last.get("hold") == "yes" else "",
        log=last.get("log", "")[:_LONGEST],
        motion=_matched(_MOTION, last.get("motion", "")),
        deg=_number(last.get("deg"), above=True),
        mm=_number(last.get("mm"), above=True),
    )
    wrong = ((n, last[n][:60]) for n in _FIELDS if last.get(n) and not getattr(made, n))
    backwards = [("end", last["end"][:60])] if upside_down else []
    return made.but(wrong=(*wrong, *backwards))


def _keys(given: list[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(k for k in given[:_MOST_KEYS] if _KEY.fullmatch(k)))


def _texts(given: list[str]) -> tuple[str, ...]:
    return tuple(c for c in given[:_MOST_TEXTS] if len(c) <= _LONGEST)


def _matched(pattern: re.Pattern[str], text: str) -> str:
    return text if pattern.fullmatch(text) else ""


def _one_of(choices: tuple[str, ...], text: str | None) -> str:
    return text if text in choices else choices[0]


def _number(text: str | None, above: bool = False) -> float | None:
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if math.isfinite(value) and (value > 0 or not above) else None


def _whole(text: str | None) -> int | None:
    if text is None or not re.fullmatch(r"-?\d{1,15}", text):
        return None
    return int(text)
