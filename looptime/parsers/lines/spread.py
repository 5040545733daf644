"""JSON objects that are printed over several lines, each brought to its last line."""

import json
import re
from itertools import zip_longest

__all__ = ["hold_loops", "is_printed", "spread_objects"]

_TOKEN = re.compile(r'"(?:[^"\\\n]|\\.)*+"?|[{}\[\]\n]')
_ALONE = re.compile(r'[{}\[\], \t\r\d.eE+-]+|\s*"(?:[^"\\]|\\.)*"\s*:.*')
#: How a document begins; a tag in brackets is none.
_OPENS = re.compile(r"\s*[\[{]\s*(?:[\"\d{}\[\]-]|$)")
_FIRST = 250
#: Loops of a run; calls of a loop are fewer.
_LOOPS = 20


def is_printed(lines: list[str]) -> bool:
    """Whether lines are those of a JSON document that is printed with a value a line.

    Examples
    --------
    >>> is_printed(["{", '"loops": 20,', '"seed": 1', "}"]), is_printed(['{"t": 1, "imu": 2}'] * 3)
    (True, False)
    """
    given = [line for line in lines[:_FIRST] if line.strip()]
    if not given or not _OPENS.match(given[0]):
        return False
    # a value a line is what printers that indent make; a line of a log has more
    alone = sum(_ALONE.fullmatch(line) is not None for line in given) >= 0.9 * len(given)
    return alone and not _is_above_rows(given)


def _is_above_rows(lines: list[str]) -> bool:
    """Whether a document ends among lines, and something else than the next of them follows.

    Examples
    --------
    >>> _is_above_rows(['{"hz": 50}', "ms,imu", "20,3"]), _is_above_rows(["[", "20,", "3", "]"])
    (True, False)
    """
    text = "\n".join(lines)
    try:
        end = json.JSONDecoder().raw_decode(text, len(text) - len(text.lstrip()))[1]
    except (ValueError, RecursionError):  # it goes on
        return False
    return text[end:].lstrip()[:1] not in ("", "{", "[", ",")


def spread_objects(lines: list[str]) -> list[tuple[int, int, str]] | None:
    r"""First line, last line (from 0) and text of each object; None where none spans lines.

    The objects are those outermost, or the outermost that stand in a list.

    Examples
    --------
    >>> spread_objects(["[", "{", '"t": 1', "},", "{", '"t": 2', "}", "]"])
    [(1, 3, '{ "t": 1 }'), (4, 6, '{ "t": 2 }')]
    """
    if not is_printed(lines):
        return None
    text = "\n".join(lines)
    by_depth: dict[int, list[tuple[int, int, str]]] = {}
    opened: list[tuple[str, int, int]] = []
    line = 0
    for token in _TOKEN.finditer(text):
        mark = token[0]
        if mark == "\n":
            line += 1
        elif mark in "{[":
            opened.append((mark, line, token.start()))
        elif mark in "}]" and opened:
            kind, first, at = opened.pop()
            if kind == "{" and (not opened or opened[-1][0] == "["):
                whole = " ".join(text[at : token.end()].split())
                by_depth.setdefault(len(opened), []).append((first, line, whole))
    depths = sorted(by_depth)
    for depth, inner in zip_longest(depths, depths[1:], fillvalue=-1):
        found = by_depth[depth]
        held = len(by_depth.get(inner, ())) // len(found)
        several = len(found) > 1 and any(last > first for first, last, _ in found)
        if several and not hold_loops(len(found), held):
            return found
    return None


def hold_loops(objects: int, each: int) -> bool:
    """Whether objects of a list are runs, by how many each holds: loops, and no calls of a loop.

    Examples
    --------
    >>> hold_loops(2, 1500), hold_loops(1500, 12), hold_loops(3, 8)
    (True, False, False)
    """
    return each > (max(objects, _LOOPS) if objects > 1 else 1)
