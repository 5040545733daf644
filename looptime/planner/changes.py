"""The grammar of changes: one line of text says one remedy.

``batch encoder.*`` · ``thread gyro.read rest-ms=5`` · ``move encoder.* bus=port`` ·
``every range.read loops=4`` · ``every telemetry.send ms=500`` · ``on-change motor.* share=0.7`` ·
``later gyro.read before=motor.*`` · ``drop X`` · ``cap X ms=5`` · ``scale X by=0.5`` ·
``pace hz=50``; of a thread that is in the log, ``rest gyro.read ms=20`` and ``unthread gyro.read``
(read it in the loop again). The same text serves the API, the command line, a TOML file and the
dashboard.

``share`` of ``on-change`` is the share of the writes that is left out, not of those still made.

A pattern that is exactly a call's name means that call; otherwise ``*``, ``?`` and ``[...]`` have
their usual meaning. Text that holds spaces, quotes or ``=`` is put in quotes; a quote inside is
written twice.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Iterable, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from looptime.errors import UsageError, nearest
from looptime.files import read_toml
from looptime.records import dataclass

__all__ = ["VERBS", "Change", "PlanFile", "load_changes", "matching", "parse", "parse_all"]


@dataclass(frozen=True)
class Option:
    """One ``key=value`` of a change and how its value is checked."""

    read: Callable[[str], Any]
    rule: str
    required: bool = False


@dataclass(frozen=True)
class Verb:
    """What may follow a verb."""

    options: dict[str, Option]
    flags: tuple[str, ...] = ()
    patterns: str = "many"  # none, one or many
    one_of: tuple[str, ...] = ()
    example: str = ""


def _number(low: float, high: float, above: bool = False) -> Callable[[str], float]:
    def read(text: str) -> float:
        value = float(text)
        if not (low < value if above else low <= value) or value > high:
            raise ValueError(text)
        return value

    return read


def _whole(text: str) -> int:
    value = int(text)
    if not 1 <= value <= 1_000_000:
        raise ValueError(text)
    return value


def _text(text: str) -> str:
    if not text:
        raise ValueError(text)
    return text


def _late(text: str) -> str:
    if text not in ("skip", "catch-up", "go-on"):
        raise ValueError(text)
    return text


_MS = _number(0, 3_600_000)
#: Every verb with its options.
VERBS: dict[str, Verb] = {
    "batch": Verb(
        {
            "base-ms": Option(_MS, "a number of ms from 0"),
            "per-item-ms": Option(_MS, "a number of ms from 0"),
            "as": Option(_text, "a name"),
        },
        example="batch encoder.*",
    ),
    "thread": Verb(
        {"rest-ms": Option(_MS, "a number of ms from 0")}, example="thread gyro.read rest-ms=5"
    ),
    "move": Verb({"bus": Option(_text, "a bus", True)}, example="move encoder.* bus=port"),
    "every": Verb(
        {
            "loops": Option(_whole, "a whole number from 1"),
            "ms": Option(_number(0, 3_600_000, above=True), "a number of ms above 0"),
        },
        flags=("together",),
        one_of=("loops", "ms"),
        example="every range.read loops=4",
    ),
    "on-change": Verb(
        {"share": Option(_number(0, 1), "the share that is left out, a share from 0 to 1", True)},
        flags=("together",),
        example="on-change motor.* share=0.7",
    ),
    "later": Verb(
        {"before": Option(_text, "a call", True)}, example="later gyro.read before=motor.*"
    ),
    "drop": Verb({}, example="drop telemetry.send"),
    "cap": Verb({"ms": Option(_MS, "a number of ms from 0", True)}, example="cap gyro.read ms=5"),
    "scale": Verb(
        {"by": Option(_number(0, 1000), "a factor from 0 to 1000", True)},
        example="scale gyro.read by=0.5",
    ),
    "rest": Verb(
        {"ms": Option(_MS, "a number of ms from 0", True)}, example="rest gyro.read ms=20"
    ),
    "unthread": Verb({}, example="unthread gyro.read"),
    "pace": Verb(
        {
            "hz": Option(_number(0, 100_000, above=True), "a rate above 0", True),
            "late": Option(_late, "skip, catch-up or go-on"),
        },
        patterns="none",
        example="pace hz=50",
    ),
}


@dataclass(frozen=True)
class Change:
    """One remedy.

    Examples
    --------
    >>> str(parse('every range.read loops=4'))
    'every range.read loops=4'
    >>> parse('thread "gyro read" rest-ms=5').get("rest-ms")
    5.0
    """

    verb: str  #: One of `VERBS`
    patterns: tuple[str, ...] = ()  #: Names or patterns of the calls that it is about
    #: In the order of the grammar; a flag has the value True.
    options: tuple[tuple[str, Any], ...] = ()

    @classmethod
    def of(cls, verb: str, *patterns: str, **options: Any) -> Change:
        """Build a change in code; ``rest_ms=5`` stands for ``rest-ms=5``.

        Examples
        --------
        >>> str(Change.of("thread", "gyro.read", rest_ms=5))
        'thread gyro.read rest-ms=5'
        """
        words = [verb, *(_quoted(p) for p in patterns)]
        for key, value in options.items():
            word = key.rstrip("_").replace("_", "-")
            words.append(word if value is True else f"{word}={_quoted(_shown(value))}")
        return parse(" ".join(words))

    def get(self, key: str, default: Any = None) -> Any:
        """Value of an option."""
        return dict(self.options).get(key, default)

    def __str__(self) -> str:
        words = [self.verb, *(_quoted(p) for p in self.patterns)]
        for key, value in self.options:
            words.append(key if value is True else f"{key}={_quoted(_shown(value))}")
        return " ".join(words)


def _shown(value: object) -> str:
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def _quoted(text: str) -> str:
    flags = {flag for verb in VERBS.values() for flag in verb.flags}
    plain = text and not any(c.isspace() or c in "\"'=" for c in text) and text not in flags
    return text if plain else '"' + text.replace('"', '""') + '"'


def _tokens(text: str) -> list[tuple[str | None, str, bool]]:
    """Words as (key or None, value, quoted)."""
    words: list[tuple[str | None, str, bool]] = []
    at = 0
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        key: str | None = None
        if text[at] not in "\"'":
            end = at
            while end < len(text) and not text[end].isspace() and text[end] != "=":
                end += 1
            if end < len(text) and text[end] == "=" and end > at:
                key, at = text[at:end], end + 1
        value, at, quoted = _word(text, at)
        words.append((key, value, quoted))
    return words


def _word(text: str, at: int) -> tuple[str, int, bool]:
    if at < len(text) and text[at] in "\"'":
        quote, parts, at = text[at], [], at + 1
        while True:
            end = text.find(quote, at)
            if end < 0:
                raise UsageError(f"change {text!r}: a quote is not closed")
            parts.append(text[at:end])
            at = end + 1
            if text[at : at + 1] != quote:
                break
            parts.append(quote)
            at += 1
        if at < len(text) and not text[at].isspace():
            raise UsageError(f"change {text!r}: put a space after the closing quote")
        return "".join(parts), at, True
    end = at
    while end < len(text) and not text[end].isspace():
        end += 1
    return text[at:end], end, False


def parse(text: str) -> Change:
    """Read one change.

    Raises
    ------
    UsageError
        One line that says what is wrong and shows an example of that verb.

    Examples
    --------
    >>> parse("on-change motor.* share=0.7")
    Change(verb='on-change', patterns=('motor.*',), options=(('share', 0.7),))
    """
    words = _tokens(text)
    if not words:
        raise UsageError("a change is empty: write for example 'batch encoder.*'")
    key, name, _ = words[0]
    if key is not None or name not in VERBS:
        near = nearest(key or name, VERBS)
        raise UsageError(f"change {text!r}: {key or name!r} is not a kind of change; {near}")
    verb = VERBS[name]
    patterns: list[str] = []
    given: dict[str, Any] = {}
    for word, value, quoted in words[1:]:
        if word is None and not quoted and value in verb.flags:
            given[value] = True
        elif word is None or (
            word not in verb.options and not patterns and verb.patterns != "none"
        ):
            patterns.append(value if word is None else f"{word}={value}")
        else:
            given[word] = _option(text, name, word, value)
    _complete(text, name, patterns, given)
    order = [*verb.options, *verb.flags]
    return Change(name, tuple(patterns), tuple((k, given[k]) for k in order if k in given))


def _option(text: str, name: str, key: str, value: str) -> Any:
    verb = VERBS[name]
    if key not in verb.options:
        known = ", ".join(verb.options) or "no options"
        raise UsageError(f"change {text!r}: {name} has no option {key!r} (it has {known})")
    option = verb.options[key]
    try:
        return option.read(value)
    except ValueError:
        raise UsageError(f"change {text!r}: {key} takes {option.rule}, not {value!r}") from None


def _complete(text: str, name: str, patterns: Sequence[str], given: dict[str, Any]) -> None:
    verb = VERBS[name]
    example = f"write for example {verb.example!r}"
    if verb.patterns == "none" and patterns:
        raise UsageError(f"change {text!r}: {name} names no call: {example}")
    if verb.patterns != "none" and (not patterns or "" in patterns):
        raise UsageError(f"change {text!r}: names no call: {example}")
    missing = [key for key, option in verb.options.items() if option.required and key not in given]
    if missing:
        raise UsageError(f"change {text!r}: lacks {missing[0]}=: {example}")
    if verb.one_of and sum(key in given for key in verb.one_of) != 1:
        raise UsageError(f"change {text!r}: give one of {' or '.join(verb.one_of)}: {example}")


def parse_all(changes: Iterable[str | Change]) -> tuple[Change, ...]:
    """Read changes in the order given; those that are read already stay.

    Examples
    --------
    >>> [c.verb for c in parse_all(["drop a", "pace hz=50"])]
    ['drop', 'pace']
    """
    if isinstance(changes, str):
        changes = [changes]
    return tuple(c if isinstance(c, Change) else parse(c) for c in changes)


#: How a plan in a file looks.
_PLAN = 'changes = ["batch encoder.*", "every telemetry.send ms=500"]'


@dataclass(frozen=True)
class PlanFile:
    """A plan kept in a file: its changes, and the calls whose rhythm it states."""

    changes: tuple[Change, ...]
    recurs: dict[str, str]


def load_changes(path: str | Path) -> PlanFile:
    """Read a plan from a TOML file.

    The file holds ``changes = ["batch encoder.*", ...]`` and, if need be, a table ``[recurs]``
    with ``"telemetry.send" = "time"`` or ``"loop"`` a line.

    Raises
    ------
    UsageError
        If the file cannot be read or holds anything else.
    """
    data = read_toml(path)
    for key in data:
        if key not in ("changes", "recurs"):
            raise UsageError(
                f"{path}: key {key!r} is not known; a plan is a list of changes, {_PLAN}, and "
                "may have a table [recurs] (looptime help plan)"
            )
    lines, recurs = data.get("changes", []), data.get("recurs", {})
    if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
        raise UsageError(f"{path}: changes is a list of texts: {_PLAN}")
    if not isinstance(recurs, dict) or not all(v in ("loop", "time") for v in recurs.values()):
        raise UsageError(f'{path}: [recurs] gives each call "loop" or "time"')
    try:
        return PlanFile(parse_all(lines), dict(recurs))
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from None


def matching(
    names: Sequence[str], on_loop: Collection[int], patterns: Iterable[str], text: str
) -> list[int]:
    """Codes of the call names on the loop's thread that the patterns mean, in order of code.

    Parameters
    ----------
    names : sequence of str
        Call names by code.
    on_loop : collection of int
        Codes of the names that are called on the loop's thread.
    patterns : iterable of str
        Names or patterns.
    text : str
        The change, for the message.

    Raises
    ------
    UsageError
        If a pattern means no call, or only calls on other threads.

    Examples
    --------
    >>> matching(["gyro.read", "motor.set"], {0, 1}, ["gyro.*"], "drop gyro.*")
    [0]
    """
    codes: set[int] = set()
    for pattern in patterns:
        found = [i for i, name in enumerate(names) if name == pattern]
        found = found or [i for i, name in enumerate(names) if fnmatchcase(name, pattern)]
        here = [i for i in found if i in on_loop]
        if not found:
            raise UsageError(
                f"change {text!r}: no call matches {pattern!r}; {_hint(pattern, names)}"
            )
        if not here:
            raise UsageError(
                f"change {text!r}: {names[found[0]]!r} is called by another thread: it can be "
                "given a rest or another bus, made shorter, dropped, or read in the loop again "
                "(rest, move, scale, cap, drop, unthread)"
            )
        codes.update(here)
    return sorted(codes)


def _hint(pattern: str, names: Sequence[str]) -> str:
    """What to write in place of a pattern that means no call."""
    if not names:
        return "the log has no calls"
    if not set("*?[").intersection(pattern):
        return nearest(pattern, names)
    bare = pattern.strip("*?")
    near = difflib.get_close_matches(bare, names, n=3, cutoff=0.0)
    return f"near it are {', '.join(repr(name) for name in near)}"
