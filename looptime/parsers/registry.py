"""Which layout a log has: every layout says whether it fits, and one alone must."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from itertools import pairwise
from pathlib import PurePath
from types import ModuleType

from looptime.errors import LogError, UsageError
from looptime.parsers.columns.evidence import check_spoilt, clocklike, counts_rows, wordy
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.layouts.contract import Options
from looptime.parsers.text.dialect import Dialect, numbers

__all__ = ["choose"]

#: Layouts in the order of how much they say, and what each takes a row for, in the words of an
#: error. Each has a module of its name here, loaded when it is asked.
_MEANING = {
    "calls": "each row a timed call",
    "edges": "each row the begin or the end of a call",
    "stages": "each row a loop with instants",
    "costs": "each row a loop with durations",
    "sections": "each row a duration with a name",
    "stamps": "each row a loop with one time",
}
#: A layout that says all that the other would, and more.
_SAYS_MORE = {
    "calls": ("stages", "costs", "sections", "stamps"),
    "edges": ("stamps",),
    "stages": ("stamps",),
    "costs": ("stamps",),
    "sections": ("stamps",),
}
#: Endings of names that no log has, by what they are the endings of.
_NO_LOGS = {
    "source code": ".py .java .kt .c .cc .cpp .cxx .h .hh .hpp .ino .m .rs .go .js .ts .sh .bat",
    "settings": ".toml .json .yaml .yml .ini .xml .gradle",
    "a page": ".md .html .htm .css .svg",
}
_TIMES = ("time", "start", "end", "period", "stage 0")


def choose(dialect: Dialect, options: Options, path: str) -> tuple[ModuleType, dict[str, Head]]:
    """The layout of a log and the parts that its columns play.

    Parameters
    ----------
    dialect : Dialect
        How the log is written, with its first rows.
    options : Options
        ``layout`` decides, where it is given.
    path : str
        The log, for messages.

    Raises
    ------
    LogError
        If no layout fits, or two do, with what was tried and the option that decides.
    """
    if options.layout is not None and options.layout not in _MEANING:
        raise UsageError(
            f"layout {options.layout!r} is not known: use one of {', '.join(_MEANING)}"
        )
    if options.layout is None and options.columns is None:
        _check_name(path)
    header = dialect.header
    if header is None:
        header = _unnamed(dialect, options, path)
    found = [head for head in heads(header) if head.index < dialect.fields]
    if options.layout is not None:
        module = _module(options.layout)
        given = _fit(module, found, dialect, path, asked=True)
        if given is None:
            raise _no_fit(found, [module.NAME], dialect, path)
        fits = {module: given}
    else:
        fits = _fits(found, dialect, path)
        if not fits:
            raise _no_fit(found, list(_MEANING), dialect, path)
        if len(fits) > 1:
            one, other = (module.NAME for module in list(fits)[:2])
            raise LogError(
                f"fits two layouts: {one} ({_MEANING[one]}) and {other} ({_MEANING[other]}): "
                f"say which with --layout {one} or --layout {other}",
                path,
                dialect.header_line or None,
            )
    module, given = next(iter(fits.items()))
    for role in _TIMES:
        if role in given:
            check_spoilt(dialect, given[role], path)
    return module, given


def _check_name(path: str) -> None:
    ending = PurePath(path).suffix.lower()
    for what, endings in _NO_LOGS.items():
        if ending in endings.split():
            raise LogError(
                f"is no log but {what}, as {ending} says: name the CSV file that the robot wrote "
                "(--layout or --columns reads this one all the same)",
                path,
            )


def _module(layout: str) -> ModuleType:
    return import_module(f"looptime.parsers.layouts.{layout}")


def _fit(
    module: ModuleType, found: list[Head], dialect: Dialect, path: str, asked: bool = False
) -> dict[str, Head] | None:
    """What a layout makes of the columns; what it refuses is told with the log's name."""
    try:
        made: dict[str, Head] | None = module.fit(found, dialect, asked=asked)
    except LogError as error:
        raise LogError(error.what, path, error.line) from error
    return made


def _fits(found: list[Head], dialect: Dialect, path: str) -> dict[ModuleType, dict[str, Head]]:
    """Layouts that fit and that no other one includes."""
    fits: dict[ModuleType, dict[str, Head]] = {}
    beaten: set[str] = set()
    for layout in _MEANING:
        if layout in beaten:
            continue
        module = _module(layout)
        given = _fit(module, found, dialect, path)
        if given is None:
            continue
        fits[module] = given
        if layout != "edges" or {"edge", module.CARRIED} & set(given):
            beaten.update(_SAYS_MORE.get(layout, ()))
    return {module: given for module, given in fits.items() if module.NAME not in beaten}


def _unnamed(dialect: Dialect, options: Options, path: str) -> tuple[str, ...]:
    """Names for the columns of a log without header, where its values leave no doubt."""
    fields = dialect.fields
    words = [wordy(dialect, index) for index in range(fields)]
    if sorted(words) == [False, True] and options.layout in (None, "sections"):
        number = words.index(False)
        if not clocklike(dialect, number) or options.layout:
            return tuple("duration" if index == number else "section" for index in range(fields))
    if options.layout == "costs" and not any(words):
        return tuple(f"part_{index + 1}" for index in range(fields))
    events = [index for index in range(fields) if words[index] and _changes(dialect, index)]
    clock = clocklike(dialect, 0) and not words[0]
    if clock and (options.layout == "stamps" or (options.layout is None and not events)):
        return ("time", *(f"column_{index + 1}" for index in range(1, fields)))
    if fields == 1 and not words[0] and not counts_rows(numbers(dialect, 0)):
        return ("dt",)
    what = "counts the rows" if counts_rows(numbers(dialect, 0)) else "is no clock"
    what = f"column {what}"
    if words[0]:
        what = "column holds words"
    elif clock and events:
        what = f"column is a clock but column {events[0] + 1} holds words that come and go"
    row = dialect.delimiter.join(dialect.sample[0])[:60]
    example = ",".join(_example(dialect, words))
    raise LogError(
        f"has no header and its first {what}, so no layout fits rows such as {row!r}: "
        f'name the columns with --columns, for example "{example}"',
        path,
        dialect.first_row,
    )


def _example(dialect: Dialect, words: Sequence[bool]) -> list[str]:
    """Names for the columns that would fit such cells: a word for each, to be corrected."""
    wordy_at = [index for index, word in enumerate(words) if word]
    if not wordy_at:
        fields = len(words)
        return ["time_us", "skip", "gyro_ms", "drive_ms"][:fields] + ["skip"] * (fields - 4)
    kinds = {k: len({row[k].lower() for row in dialect.sample}) for k in wordy_at}
    few = min(wordy_at, key=lambda k: (kinds[k], -k))
    edged = len(wordy_at) > 1 and kinds[few] <= 2
    times = iter(["time_us"] if edged else ["start_us", "duration_us"])
    calls = iter(["name"])
    return [
        "edge" if edged and k == few else next(calls if word else times, "skip")
        for k, word in enumerate(words)
    ]


def _changes(dialect: Dialect, index: int) -> bool:
    """Whether words change from row to row, as names of calls do and phases do not."""
    cells = [row[index] for row in dialect.sample]
    return sum(a != b for a, b in pairwise(cells)) > 0.2 * (len(cells) - 1)


def _no_fit(found: list[Head], tried: list[str], dialect: Dialect, path: str) -> LogError:
    shown = ", ".join(repr(head.text) for head in found[:8])
    more = ", ..." if len(found) > 8 else ""
    return LogError(
        f"no layout fits: the columns {shown}{more} were tried as {', '.join(tried)}; "
        "name them with --columns (such as time_us, name, duration_us, skip)",
        path,
        dialect.header_line or 1,
    )
