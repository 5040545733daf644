"""Lines that each hold one JSON object, or a few of which hold one together."""

import json
import re
from typing import Any

from looptime.length_groups import length_of
from looptime.parsers.lines.grid import Grid, fit_cell, is_text
from looptime.parsers.lines.spread import hold_loops, spread_objects
from looptime.parsers.text.dialect import is_number
from looptime.units import split_unit

__all__ = ["name_by_calls", "read_objects", "unrolled"]

_SAMPLE = 400
_PLAIN = r"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?"
_FRAME = re.compile(r"^[\s\[\]{},]*$|[\[{]\s*$")
#: What a document says before its list.
_HEAD = re.compile(r"^\s*[{\[].*\[\s*$")
_LIST = re.compile(r"\[\s*(?=\{)")
#: What stands between two objects of a list.
_NEXT = re.compile(r"\s*,\s*(?=\{)")
_MOST_LINES = 3
#: Objects of a list that are looked into for a longer one, and how deep.
_FEW, _DEEP = 3, 4
#: A pattern of more groups takes the square of their number for a line.
_MOST_GROUPS = 200
_NUMBER = re.compile(rf"(?<=[:,\[\s]){_PLAIN}(?=[,}}\]\s])")


def unrolled(lines: list[str]) -> list[str]:
    r"""The objects of a document that stands on a line or two, each on a line of its own.

    They are those of its first list of objects, or where these are runs, those of the lists in
    them, below what names their unit; other lines are returned as they are.

    Examples
    --------
    >>> unrolled(['{"robot": "tray carrier", "loops": [{"t": 1.50, "imu": [2]}, {"t": 3}]}'])
    ['{"t": 1.50, "imu": [2]}', '{"t": 3}']
    >>> unrolled(['{"runs": [{"loops": [{"t": 1}, {"t": 3}]}]}'])
    ['{"t": 1}', '{"t": 3}']
    >>> unrolled(['{"t": 1}', '{"t": 3}'])
    ['{"t": 1}', '{"t": 3}']
    """
    text = "\n".join(lines) if len(lines) <= _MOST_LINES else ""
    if text.lstrip()[:1] not in ("[", "{"):
        return lines
    made = _listed(text)
    return [*_units_above(text), *made] if len(made) > 1 else lines


def _units_above(text: str) -> list[str]:
    """What a document says before its list, on a line, where that may name a unit."""
    head = text[: found.start() + 1] if (found := _LIST.search(text)) else ""
    return [" ".join(head.split())] if "unit" in head.lower() else []


def _listed(text: str, deep: int = _DEEP) -> list[str]:
    """The objects of the first list of them, or of the longer lists that they hold."""
    found = _LIST.search(text) if deep else None
    if found is None:
        return []
    made, cut, at, decoder = [], "", found.end(), json.JSONDecoder()
    while text[at : at + 1] == "{":
        try:
            end = decoder.raw_decode(text, at)[1]
        except (ValueError, RecursionError):  # a document cut short
            cut = text[at:]
            break
        made.append(text[at:end])
        more = _NEXT.match(text, end)
        at = len(text) if more is None else more.end()
    if not made or any(hold_loops(len(made), len(_listed(one, deep - 1))) for one in made[:_FEW]):
        made = [inner for one in (*made, cut) for inner in _listed(one, deep - 1)]
    return made


def name_by_calls(grid: Grid) -> None:
    """Name the lengths of calls, each in an object of its call, after the calls alone, in place.

    Examples
    --------
    >>> grid = Grid([], names=["t", "calls.imu.dur", "calls.arm.dur"], units=[None] * 3)
    >>> name_by_calls(grid)
    >>> grid.names
    ['t', 'imu', 'arm']
    """
    told = {at: found for at, name in enumerate(grid.names) if (found := length_of(name))}
    short = [name for name, _ in told.values()]
    if len(told) < 2 or len(set(short)) < len(short) or set(short) & set(grid.names):
        return
    for at, (name, unit) in told.items():
        grid.names[at], grid.units[at] = name, grid.units[at] or unit


def read_objects(lines: list[str]) -> Grid | None:
    r"""Cells of a log of one JSON object a line; None where it is no such log.

    An array with an object on each line is one too.

    Examples
    --------
    >>> grid = read_objects(['{"t": 812, "ms": {"imu": 9}}', '{"t": 832, "ms": {"imu": 8}}'])
    >>> grid.names, grid.rows
    (['t', 'ms.imu'], [['812', '9'], ['832', '8']])
    """
    spread = spread_objects(lines)
    if spread is not None:
        return _read_spread(lines, spread)
    sample = [line for line in lines[:_SAMPLE] if is_text(line)]
    likely = [line for line in sample if _is_object(line)]
    if len(likely) < max(2, 0.3 * len(sample)):
        return None
    if sum(_loaded(line) is not None for line in likely) < 0.5 * len(likely):
        return None
    grid = Grid(lines)
    grid.headers |= {0} if _HEAD.search(lines[0]) else set()
    usual = _usual(grid, likely[0])
    for line in lines:
        found = usual.fullmatch(line) if usual is not None else None
        if found is not None:
            grid.rows.append(list(found.groups()))
            continue
        value = _loaded(line) if _is_object(line) else None
        grid.rows.append(None if value is None else _cells(grid, value))
    return grid


def _read_spread(lines: list[str], spread: list[tuple[int, int, str]]) -> Grid | None:
    """Cells of objects over several lines, each in the row of its last line."""
    grid = Grid(lines, rows=[None] * len(lines))
    covered: set[int] = set()
    for first, last, text in spread:
        value = _loaded(text)
        if value is None or grid.rows[last] is not None:  # a row has room for one
            continue
        grid.rows[last] = _cells(grid, value)
        grid.folded += [(line, last) for line in range(first, last) if line not in covered]
        covered.update(range(first, last + 1))
    # brackets and commas around the objects are no rows, and nor is what names the list
    grid.headers |= {
        at for at in range(len(lines)) if at not in covered and _FRAME.search(lines[at])
    }
    return grid if covered else None


def _usual(grid: Grid, line: str) -> re.Pattern[str] | None:
    """How lines with the same keys are written, a group for each number; None for other lines.

    Most lines of a log are written alike: this spares taking each of them apart.
    """
    value = _loaded(line)
    cells = [] if value is None else _cells(grid, value)
    if len(cells) > _MOST_GROUPS or _NUMBER.findall(line) != cells:
        return None  # a value that is no number, or one in a name
    pieces = [re.escape(piece) for piece in _NUMBER.split(line)]
    return re.compile(f"({_PLAIN})".join(pieces))


def _is_object(line: str) -> bool:
    at = line.find("{")
    return at >= 0 and line.rstrip(" \t\r,]").endswith("}") and not line[:at].strip(" \t[")


def _loaded(line: str) -> dict[str, Any] | None:
    """The object on a line, with its numbers as they stand."""
    text = line.strip(" \t\r,[]")
    try:
        value = json.loads(text, parse_float=str, parse_int=str, object_pairs_hook=_once)
    except (ValueError, RecursionError):
        return None
    return value if isinstance(value, dict) else None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object; two lines that were run into one name a key twice, and are none."""
    made = dict(pairs)
    if len(made) < len(pairs):
        raise ValueError("a key stands twice")
    return made


def _cells(grid: Grid, value: dict[str, Any]) -> list[str]:
    row = [""] * len(grid.names)
    for key, cell, unit in _leaves(value, ""):
        at = grid.column(key, unit)
        if at < 0:
            continue
        if at >= len(row):
            row += [""] * (at + 1 - len(row))
        row[at] = cell
    return row


def _called(item: Any) -> str:
    """What an object in a list is called, where one of its keys says so."""
    if not isinstance(item, dict):
        return ""
    words = [one for one in item.values() if isinstance(one, str) and not is_number(one)]
    named = [item[key] for key in ("name", "key", "label", "what", "call") if key in item]
    named += words if len(words) == 1 else []
    return next((fit_cell(name) for name in named if isinstance(name, str)), "")


def _leaves(
    value: dict[str, Any], before: str, unit: str | None = None
) -> list[tuple[str, str, str | None]]:
    """Keys, texts and units of an object; keys of an object in it are joined by a point.

    A unit in the name of an object is that of what it holds.
    """
    made: list[tuple[str, str, str | None]] = []
    for key, item in value.items():
        name = f"{before}{key}"
        if isinstance(item, dict):
            made += _leaves(item, f"{name}.", split_unit(key)[1] or unit)
        elif isinstance(item, list):
            inner = {_called(one) or str(at + 1): one for at, one in enumerate(item[:64])}
            made += _leaves(inner, f"{name}.", split_unit(key)[1] or unit)
        elif isinstance(item, str):
            made.append((name, fit_cell(item), unit))
        else:
            made.append((name, str(int(item)) if isinstance(item, bool) else "", unit))
    return made
