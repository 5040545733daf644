"""The words that looptime prints, each in a sentence or two, with where a log's own figure stands.

One text serves ``looptime explain`` and the dashboard.
"""

import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from looptime.records import dataclass

__all__ = ["WORDS", "Word", "figures_of", "find", "why_none"]


@dataclass(frozen=True)
class Word:
    """One word and what it means."""

    name: str
    text: str  #: One to three sentences
    #: Where its figures stand in one run of ``summary --json``, as dotted keys.
    figures: tuple[str, ...] = ()
    also: tuple[str, ...] = ()  #: Other forms in which it is printed


def _load() -> dict[str, Word]:
    """Every form in which a word is printed, in lower case; a word's own name wins."""
    data = tomllib.loads(_FILE.read_text(encoding="utf-8"))["word"]
    words = [
        Word(w["name"], w["text"], tuple(w.get("figures", ())), tuple(w.get("also", ())))
        for w in data
    ]
    forms = {form.lower(): word for word in words for form in word.also}
    return forms | {word.name.lower(): word for word in words}


_FILE = Path(__file__).resolve().parent / "words.toml"
#: By every form in which a word is printed.
WORDS: Mapping[str, Word] = _load()


#: Rows of a table whose figures are told, the largest first.
_MOST = 5
_UNIT = re.compile(r"(,? \(?(ms|deg|mm a metre|mm/m|1/s|s)\)?|/s| by|:)$")
_STATISTIC = re.compile(r" (mean|median|p50|p90|p95|p99|max|worst)$|^(mean|p50|p95|p99|max) ")


def find(text: str) -> Word | None:
    """The word meant, whatever its case, number, unit, or the statistic that stands with it.

    Examples
    --------
    >>> find("Overruns").name, find("age p95, ms").name, find("nothing like it") is None
    ('overrun', 'reading age', True)
    """
    wanted = " ".join(text.lower().replace("_", " ").rstrip("?").split())
    bare = _UNIT.sub("", wanted)
    for form in (text.lower(), wanted, bare, _STATISTIC.sub("", bare)):
        for number in (form, form.rstrip("s"), f"{form}s"):
            if number in WORDS:
                return WORDS[number]
    return None


def figures_of(
    word: Word, entry: Mapping[str, Any], run: Mapping[str, Any]
) -> list[tuple[str, str]]:
    """A log's figures of a word: what each is, and its value with its unit.

    Parameters
    ----------
    word : Word
        The word.
    entry, run : mapping
        One element of ``logs[]`` and of its ``runs[]`` of ``summary --json``.

    Examples
    --------
    >>> figures_of(find("p99"), {}, {"period_ms": {"p99": {"value": 26.12, "low": 25, "high": 27}}})
    [('period p99', '26.1 ms')]
    >>> calls = [{"name": "gyro", "slow_excess_ms": 0.2}, {"name": "scan", "slow_excess_ms": 9}]
    >>> figures_of(find("in slow"), {}, {"calls": calls})
    [('scan', '9 ms'), ('gyro', '0.2 ms')]
    """
    out = []
    for path in word.figures:
        table, each, key = path.partition("[].")
        if each:
            rows = [(str(row["name"]), _at(row, key)) for row in run.get(table, ())]
            known = [(name, at) for name, at in rows if at is not None]
            known.sort(key=lambda row: -abs(row[1]))
            more = f" {_title(key)}" if "." in key else ""
            out += [(name + more, _value(at, path)) for name, at in known[:_MOST] if at]
        elif (at := _at({**entry, **run}, path)) is not None:
            out.append((_title(path), _value(at, path)))
    return out


def _at(row: Mapping[str, Any], path: str) -> Any:
    """What stands at a path, the middle of a figure with a range."""
    at: Any = row
    for key in path.split("."):
        at = at.get(key) if isinstance(at, Mapping) else None
    return at.get("value") if isinstance(at, Mapping) else at


_UNITS = {"ms": "ms", "hz": "loops a second", "ns": "ns", "s": "s"}


def _title(path: str) -> str:
    words = [part.split("_") for part in path.split(".")]
    kept = [[w for w in part if w not in _UNITS] for part in words]
    return " ".join(" ".join(part) for part in kept if part).replace("p999", "p99.9")


def _value(value: Any, path: str) -> str:
    if isinstance(value, str):
        return value
    if "share" in path:
        return f"{100 * value:.3g} %"
    unit = next((_UNITS[w] for part in path.split(".")[::-1] for w in part.split("_")[::-1]
                 if w in _UNITS), "")  # fmt: skip
    if isinstance(value, float) and not math.isfinite(value):
        return "-"
    shown = f"{value:,}" if isinstance(value, int) else f"{value:.3g}"
    return f"{shown} {unit}".strip()


#: Why a log has no figure of a word, by the first of the keys where it stands, and what to do.
_LACKS = (
    (("overruns",), "no budget is stated, which a loop overruns: --budget-ms 20 states one"),
    (("freshness[]",), 'no call is known to read a sensor: kind = "sensor read" under [[call]] in '
     "looptime.toml says which does"),
    (("unattributed", "calls[]"), "the log times no calls: time the loop's parts (looptime guide "
     "recorders)"),
    (("period_ms", "period_by_time_ms"), "the log tells no single periods, only how many loops "
     "there were in a time: log an instant in each loop"),
)  # fmt: skip


def why_none(word: Word, run: Mapping[str, Any]) -> str:
    """Why a log has no figure of a word, and what to do for one.

    Parameters
    ----------
    word : Word
        One whose figures are none.
    run : mapping
        One element of ``runs[]`` of ``summary --json``.

    Examples
    --------
    >>> why_none(find("overrun"), {})
    'no budget is stated, which a loop overruns: --budget-ms 20 states one'
    >>> why_none(find("headroom"), {"pacing": {"mode": "free-running"}})[:39]
    'the loop is free-running: it waits for '
    """
    first = word.figures[0].partition(".")[0] if word.figures else ""
    pacing = run.get("pacing") or {}
    if first in ("work_ms", "headroom_ms", "pacing"):
        if pacing.get("mode") == "free-running":
            return ("the loop is free-running: it waits for nothing, so its period is its work and "
                    "no rate is missed")  # fmt: skip
        return (
            f"can't tell work from waiting ({pacing.get('mode') or 'pacing unknown'}): the wait "
            "for the next tick is not in the log; time it as a call of its own, named wait"
        )
    if first == "calls[]" and run.get("calls"):
        return ("no call shows any: what holds a call up is seen where the calls of the other "
                "threads are timed too")  # fmt: skip
    if not first:
        return "no one figure goes with this word; looptime LOG tells what the log shows"
    return next(
        (said for keys, said in _LACKS if first in keys), "looptime LOG tells what it holds"
    )
