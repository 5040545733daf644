"""Queries that name a set of a season's entries: ``robot=tray-carrier version=1.* last=5``."""

import shlex
from collections.abc import Iterable
from fnmatch import fnmatchcase
from typing import Any, TypeVar

from looptime.checks.recording.facts import Facts, parse_time, time_key
from looptime.errors import UsageError, nearest
from looptime.records import dataclass

__all__ = ["KEYS", "Query", "in_order", "is_query", "parse_query"]

#: What a query can ask for.
KEYS = ("robot", "version", "label", "phase", "since", "until", "last", "entry", "baseline")
_PATTERNS = ("robot", "version", "label")


@dataclass(frozen=True)
class Query:
    """Which entries are meant; what is None makes no difference."""

    #: Patterns with ``*`` and ``?``.
    robot: str | None = None
    version: str | None = None
    label: str | None = None
    phase: str | None = None  #: The only phase of the entry
    #: Earliest and latest time, ISO 8601; entries without a time do not match.
    since: str | None = None
    until: str | None = None
    last: int | None = None  #: The latest so many of those that match
    entry: str | None = None  #: Beginning of the entry's name
    baseline: bool | None = None  #: Whether it is marked as baseline

    def matches(self, entry: str, facts: Facts, baseline: bool) -> bool:
        """Whether an entry is meant, leaving `last` aside."""
        if self.entry is not None and not entry.startswith(self.entry):
            return False
        if self.baseline is not None and baseline != self.baseline:
            return False
        for key in _PATTERNS:
            wanted = getattr(self, key)
            if wanted is not None and not fnmatchcase(getattr(facts, key) or "", wanted):
                return False
        if self.phase is not None and [name for name, _ in facts.phases] != [self.phase]:
            return False
        return self._in_time(time_key(facts.time))

    def _in_time(self, time: float | None) -> bool:
        since, until = time_key(self.since), time_key(self.until)
        if since is None and until is None:
            return True
        if time is None:
            return False
        return (since is None or time >= since) and (until is None or time <= until)


T = TypeVar("T")


def in_order(entries: Iterable[tuple[Facts, str, T]]) -> list[T]:
    """Things in the order of their recording; those without a time come first, by source."""

    def key(at: tuple[Facts, str, T]) -> tuple[bool, float, str, str]:
        time = time_key(at[0].time)
        return (time is not None, time or 0.0, at[0].source, at[1])

    return [at[2] for at in sorted(entries, key=key)]


def is_query(text: str) -> bool:
    """Whether an argument reads as a query: every word is ``KEY=VALUE`` with a known key.

    Examples
    --------
    >>> is_query("robot=tray-carrier last=5"), is_query("logs/monday.csv"), is_query("a=b.csv")
    (True, False, False)
    """
    words = _words(text)
    return bool(words) and all(word.partition("=")[0] in KEYS and "=" in word for word in words)


def _words(text: str) -> list[str]:
    lexer = shlex.shlex(text, posix=True)
    lexer.whitespace += ","
    lexer.whitespace_split = True
    lexer.commenters = ""
    lexer.escape = ""
    try:
        return list(lexer)
    except ValueError:
        return [text]


def parse_query(text: str) -> Query:
    """Read a query: words ``KEY=VALUE`` between blanks or commas, quotes around odd values.

    A word without ``=`` that is hexadecimal names an entry by the beginning of its name.

    Raises
    ------
    UsageError
        If a key is not known or a value cannot be used.

    Examples
    --------
    >>> parse_query("robot=tray-carrier,last=5").last
    5
    >>> parse_query('label="new gyro"').label
    'new gyro'
    >>> parse_query("robott=a")
    Traceback (most recent call last):
    looptime.errors.UsageError: query 'robott=a': 'robott' is not known; the nearest is 'robot'
    """
    found: dict[str, Any] = {}
    for word in _words(text):
        key, equals, value = word.partition("=")
        if not equals and len(word) >= 4 and not set(word) - set("0123456789abcdef"):
            key, value = "entry", word
        elif not equals:
            raise UsageError(
                f"query {text!r}: {word!r} is no KEY=VALUE, such as version={word}{_split(found)}; "
                f"keys: {', '.join(KEYS)}"
            )
        if key not in KEYS:
            raise UsageError(f"query {text!r}: {key!r} is not known; {nearest(key, KEYS)}")
        if key in found:
            raise UsageError(f"query {text!r}: {key} stands twice")
        found[key] = _value(text, key, value)
    return Query(**found)


def _split(found: dict[str, Any]) -> str:
    """That the word may belong to the value before it, which a blank has ended."""
    key, value = next(reversed(found.items()), ("", None))
    return f', or part of {key} if quotes hold it: {key}="{value} ..."' if value else ""


def _value(text: str, key: str, value: str) -> object:
    if key == "last":
        if not value.isdecimal() or int(value) < 1:
            raise UsageError(f"query {text!r}: last takes a whole number from 1, not {value!r}")
        return int(value)
    if key in ("since", "until"):
        time = parse_time(value)
        if time is None:
            raise UsageError(f"query {text!r}: {key} takes a date such as 2026-03-01: {value!r}")
        if key == "until" and len(value) == len("2026-03-01"):  # to the end of that day
            return time.replace("T00:00:00", "T23:59:59")
        return time
    if key == "baseline":
        if value not in ("yes", "no"):
            raise UsageError(f"query {text!r}: baseline takes yes or no, not {value!r}")
        return value == "yes"
    return value
