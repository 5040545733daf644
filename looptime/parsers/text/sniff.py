"""Finding how a log is written from its first lines: delimiter, decimal mark, rows and header."""

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import islice

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError
from looptime.parsers.text.dialect import (
    LONGEST_REMARK,
    Dialect,
    cells_of,
    holds_numbers,
    is_clock_text,
    is_missing,
    is_number,
    is_remark,
    lines_of,
    named,
    named_cells,
    numbers,
    split_line,
)
from looptime.signal_names import names_reading, of_another_unit
from looptime.units import NS_PER_S, NS_PER_US, UNITS, split_unit, word_unit

__all__ = ["sniff", "stated_unit"]

#: What says in a comment that the names of the columns follow.
_NAMES_FOLLOW = re.compile(
    r"^(?:columns?|cols?|fields?|header|spalten|colonnes|columnas|colunas|colonne)"
    r"\s*[:=]\s*",
    re.IGNORECASE,
)
#: Blanks between a name and its unit in brackets.
_SPACED_UNIT = re.compile(r"(?<!\s)\s+(?=[\[(][^\W\d_]{1,3}[\])])")
#: What some tools set before a line of names, as others do a hash.
_MARK = re.compile(r"^\s*[%!;]+\s*(?=\S)")
#: Short words that name a column, also beside one that is called by its unit alone.
_NO_UNITS = frozenset(
    ("key", "value", "name", "what", "call", "phase", "mode", "state", "event", "loop", "text")
)
#: Words of instants.
_USUAL = frozenset(("time", "timestamp", "t", "ts", "stamp", "start", "begin", "end"))
#: Rows that must go on as numbers of loops do.
_MOSTLY = 0.95
#: How short and how long a loop may be where a remark says so [ns]; others are asked beside it.
_LOOP_NS = (100 * NS_PER_US, 5 * NS_PER_S)
#: Rows among the first lines behind which the names of columns may stand.
_FIRST = 12
#: Rows that show the first one to be none.
_BELOW = 6
#: Words for all of the columns.
_ALL = r"all|everything|alles?|tout|tous|tudo|todos?|tutt[io]|allt"
#: How a clause begins that says a unit of all of something.
_OF_EACH = re.compile(rf"^\W*(?:{_ALL})\b.*\s(?:in|en|em|are|sind)\s", re.IGNORECASE)
#: Words for lengths of time, which a clock's column does not hold.
_LENGTHS = r"(?:durations?|lengths|costs|dauern|laufzeiten|dur[e\u00e9]es|duraciones|durate|duur)\b"
#: Brackets behind names that state the unit of all of them, ``(all in us)``, or of the times.
_OF_ALL = re.compile(
    rf"[\[({{]\s*(?:({_ALL})|times?|zeiten|unit)"
    r"[\w\s:=]*?[\s:=]([^\s\])}]+)\s*[\])}]\s*$", re.IGNORECASE,
)  # fmt: skip
#: Words of a comment that state the same.
_STATED = re.compile(
    rf"\b(?:({_ALL})\b(?!\s+{_LENGTHS})[\w\s]*?\b(?:in|en|(?:are|sind)(?!\s+in\b))"
    r"|(?:times?|timings?|instants?|(?:time)?stamps?|zeiten|units?|einheit(?:en)?)\b[\w\s]*?"
    r"(?:[:=]|\b(?:in|are|sind)\b)|\bclock(?:\s+(?:counts|runs|is))?\s*(?:[:=]|\bin\b))"
    r"\s*([^\W\d_]+)", re.IGNORECASE,
)  # fmt: skip
#: The same of a clock: ``ms since boot``, and no length such as ``3 s since the last match``.
_SINCE = re.compile(r"(?<![\d.,]\s)(?<![\w.,])([^\W\d_]+)\s+(?:since|seit|depuis)\b", re.IGNORECASE)
#: A remark that may list the units of columns.
_LISTS_UNITS = re.compile(
    r"(?i:units?\b|einheit|\b(?:in|en)\s+(?:[num\u00b5\u03bc]?s\b|nano|micro|mikro|milli|sec|sek))"
    r"|\b[num\u00b5\u03bc]?s\b.*\b[num\u00b5\u03bc]?s\b"
)
_DELIMITERS = (",", ";", "\t", "|", " ")

_Lines = list[tuple[int, tuple[str, ...]]]


def sniff(text: str, path: str, columns: str | None = None) -> Dialect:
    """Find how a log is written from its first lines.

    Parameters
    ----------
    text : str
        The first lines of the log.
    path : str
        The log, for messages.
    columns : str, optional
        Names that the caller gives to the columns, separated by commas.

    Raises
    ------
    LogError
        If no line has a number in it, or the header does not go with the rows.
    UsageError
        If `columns` does not go with the rows.
    """
    every = list(enumerate(lines_of(text), 1))
    lines = list(islice(((n, line) for n, line in every if not is_remark(line)), 2000))
    lines = _without_starred(lines)
    if not lines:
        raise LogError("holds no rows: only comments or blank lines", path)
    best: tuple[float, str, str, int] | None = None
    scored = [line for _, line in lines[:400]]
    for delimiter in _worth_trying(scored):
        for decimal in (".", ",") if delimiter != "," else (".",):
            score, fields = _score(scored, delimiter, decimal)
            if delimiter == " " and fields == 1 and best is not None and best[3] == 1:
                continue  # it parts nothing but a header of several words
            if fields and (best is None or score > best[0] + 1e-9):
                best = (score, delimiter, decimal, fields)
    if best is None:
        if len(lines) == 1:
            raise LogError("holds a header and no rows: nothing was logged", path, lines[0][0])
        raise LogError("holds no rows of numbers: is this a timing log?", path, lines[0][0])
    _, delimiter, decimal, fields = best
    sample, first, before = _sample(lines, delimiter, decimal, fields)
    spaced = delimiter != " " and any(_has_spaced_quote(line, delimiter) for _, line in lines)
    plain = Dialect(
        delimiter, decimal, None, 0, fields, first, spaced_quotes=spaced, sample=tuple(sample)
    )
    if columns is not None:
        return named(_with_header(plain, before, path, strict=False), columns, path)
    found = _with_header(plain, before, path)
    found = found if found.header else _described(found, every)
    if found.header:
        return _in_stated_unit(found, every)
    return replace(found, header=_later_header(plain, lines))


def _without_starred(lines: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """Lines without remarks at the top that begin with a star, where no row does."""
    first = next((at for at, (_, line) in enumerate(lines) if not line.startswith("* ")), 0)
    return lines if any(line.startswith("*") for _, line in lines[first:]) else lines[first:]


def _worth_trying(lines: list[str]) -> list[str]:
    """Delimiters that stand in the lines, and one that does not: each of those splits alike."""
    text = "\n".join(lines)
    absent = [d for d in _DELIMITERS if d not in text and d not in ", "]
    tabs, most = Counter(line.count("\t") for line in lines).most_common(1)[0]
    if tabs > 1 and most > 0.9 * len(lines):  # a blank parts them as well, but for empty cells
        absent.append(" ")
    return [d for d in _DELIMITERS if d not in absent[1:]]


def _score(lines: list[str], delimiter: str, decimal: str) -> tuple[float, int]:
    """How well the lines fall into rows of one length whose cells are numbers or words."""
    rows = [split_line(line, delimiter) for line in lines]
    valued = [[_is_value(cell, decimal) for cell in row] for row in rows]
    lengths = Counter(len(row) for row in valued if any(row))
    if not lengths:
        return 0.0, 0
    fields, hits = max(lengths.items(), key=lambda item: (item[1], item[0]))
    full = [both for both in zip(rows, valued, strict=True) if len(both[0]) == fields]
    good = sum(sum(value) for _, value in full)
    words = Counter(c for row, value in full for c, v in zip(row, value, strict=True) if not v)
    whole = good + sum(n for cell, n in words.items() if is_missing(cell) or _is_word(cell))
    cells = fields * len(full)
    of_values = good / (fields * hits)  # a header has none, whatever parts it
    # many cells are a sign of the right delimiter, odd cells of a wrong one
    score = hits / len(rows) * whole / cells * (of_values + 0.1 * min(fields, 10))
    headed = not any(valued[0]) and len(rows[0]) == fields  # a name for every cell
    return score + 0.01 * headed, fields


def _has_spaced_quote(line: str, delimiter: str) -> bool:
    """Whether a cell has blanks before its quote."""
    if ' "' not in line and '\t"' not in line:
        return False
    cells = next(csv.reader([line], delimiter=delimiter), [])
    return any(cell[:1] in (" ", "\t") and cell.lstrip()[:1] == '"' for cell in cells)


def _is_value(cell: str, decimal: str) -> bool:
    if not cell or cell[:1].isalpha():  # most words need no more
        return False
    return is_number(cell, decimal) or bool(is_clock_text(cell))


def _has_value(cells: Sequence[str], decimal: str) -> bool:
    # the first cell of most rows tells
    return _is_value(cells[0], decimal) or any(_is_value(cell, decimal) for cell in cells)


def _is_word(cell: str) -> bool:
    return not any(mark in cell for mark in ";|\t") and not cell.strip()[:1].isdecimal()


def _sample(
    lines: list[tuple[int, str]], delimiter: str, decimal: str, fields: int
) -> tuple[list[tuple[str, ...]], int, _Lines]:
    """Cells of the first rows, the line of the first, and the lines before it that may name them.

    A word in every cell but the last rows' first one is a row too, if it holds a number.
    """
    sample: list[tuple[str, ...]] = []
    before: _Lines = []
    first, late = lines[0][0], False
    for number, line in lines:
        cells = cells_of(line, delimiter)
        if len(cells) == fields and _has_value(cells, decimal):
            if not sample:
                first = number
            sample.append(cells)
        elif sample:
            late = late or (len(sample) <= _FIRST and len(cells) == fields)
        elif not _has_value(cells, decimal):
            empty = line[:1] == delimiter and len(cells) == fields  # a first cell, and no mark
            names = line if empty else _MARK.sub("", line)
            before.append((number, named_cells(names, delimiter, fields)))
    begin = first if _is_title_row(sample, decimal) else 0
    if late and not begin:
        begin = _behind_talk(lines, delimiter, decimal, fields)
    if begin:
        below = [(number, line) for number, line in lines if number > begin]
        sample, first, more = _sample(below, delimiter, decimal, fields)
        before += more
    return sample, first, before


def _behind_talk(lines: list[tuple[int, str]], delimiter: str, decimal: str, fields: int) -> int:
    """Line before the names of columns that stand behind lines as long as rows; 0 for none."""
    from looptime.parsers.text.talk import behind_talk

    cells = [(n, cells_of(line, delimiter)) for n, line in lines[: 2 * _FIRST]]
    rows = [(n, row) for n, row in cells if len(row) == fields]
    at = behind_talk([row for _, row in rows], lambda cell: _is_value(cell, decimal))
    return rows[at - 1][0] if at else 0


def _is_title_row(sample: list[tuple[str, ...]], decimal: str) -> bool:
    """Whether the first row is a title with a number in it, as long as a row by chance.

    Words stand in most of its cells, where those below hold numbers.
    """
    below = sample[1:_BELOW]
    if len(below) < _BELOW - 1 or _is_value(sample[0][0], decimal):
        return False
    words = [at for at, cell in enumerate(sample[0])
             if not _is_value(cell, decimal) and not is_missing(cell)]  # fmt: skip
    if len(words) < max(2, len(sample[0]) / 2):
        return False
    return all(_is_value(row[at], decimal) for row in below for at in words)


def _with_header(plain: Dialect, before: _Lines, path: str, strict: bool = True) -> Dialect:
    """Find the header among the lines before the rows: the nearest that has a name for each cell.

    Where `strict` is false, a header that does not go with the rows is left alone.
    """
    fields = plain.fields
    exact = [(n, cells) for n, cells in before if len(_trimmed(cells, fields)) == fields]
    if fields == 1:
        from looptime.parsers.text.phase_marks import mark_of

        exact = [(n, cells) for n, cells in exact
                 if len(cells[0].split()) <= 3 and mark_of(cells[0]) is None]  # fmt: skip
    if exact:
        number, cells = exact[-1]
        units_line, head = 0, [cells]
        under = len(exact) > 1 and before[before.index(exact[-1]) - 1] == exact[-2]
        if under and _are_units(cells) and not _reaches_over(exact[-2][1], cells):
            units_line, units = number, cells
            number, cells = exact[-2]
            head.append(cells)
            cells = _in_units_of(_trimmed(cells, fields), units)
        last, unit, of_all = _stated_behind(cells[-1])
        names = _in_unit((*cells[:-1], last), unit, range(len(cells) if of_all else 1))
        grouped = _under_groups(before, number, _trimmed(names, fields), plain.delimiter)
        return replace(
            plain, header=grouped or _trimmed(names, fields), header_line=number,
            first_row=max(number, units_line) + 1, units_line=units_line,
            groups_line=number - 1 if grouped else 0,
            head=(*head, *(cells for above, cells in before if grouped and above == number - 1)),
        )  # fmt: skip
    likely = [(n, cells) for n, cells in before if len(cells) > 1 and _are_names(cells)]
    if not likely:
        return plain
    number, cells = likely[-1]
    if plain.delimiter == " " and (titled := _titled(plain, number, cells)) is not None:
        return titled
    if len(cells) == fields - 1:
        named_cells = _short_header(plain, cells)
        if named_cells is not None:
            return replace(
                plain, header=named_cells, header_line=number, first_row=number + 1, head=(cells,)
            )  # fmt: skip
    if not strict:
        return replace(plain, header_line=number, first_row=number + 1, head=(cells,))
    raise LogError(
        f"the header names {len(cells)} columns, but the rows have {fields} cells: "
        "name each one with --columns",
        path,
        number,
    )


def _titled(plain: Dialect, number: int, cells: tuple[str, ...]) -> Dialect | None:
    """Rows below a title, which may state their unit; None where a line is no title."""
    from looptime.parsers.text.prose import is_title  # most headers name each column

    alike = _words_and_numbers(plain)
    if not alike and not is_title(" ".join(cells)):
        return None
    unit = split_unit(" ".join(cells))[1]
    if not alike or unit is None:
        return plain
    header = ("section", f"time [{unit}]")
    return replace(plain, header=header, header_line=number, first_row=number + 1)


def _words_and_numbers(plain: Dialect) -> bool:
    """Whether rows are a word and a number each, which need no header to tell them apart."""
    if plain.fields != 2 or not plain.sample:
        return False
    word, number = zip(*plain.sample, strict=True)
    return not any(_is_value(one, plain.decimal) for one in word) and all(
        _is_value(one, plain.decimal) for one in number
    )


def _under_groups(
    before: _Lines, header_line: int, names: tuple[str, ...], delimiter: str
) -> tuple[str, ...] | None:
    """Names of columns under a row of groups right above them, None where there is no such row."""
    above = [cells for number, cells in before if number == header_line - 1]
    if not above or delimiter == " " or not 2 <= len(above[0]) <= len(names):
        return None
    if any(map(_OF_EACH.search, above[0])):  # a sentence with a comma in it
        return None
    from looptime.parsers.text.group_row import under_groups  # most logs have one row of names
    from looptime.parsers.text.talk import is_talk

    return None if is_talk(above[0], names) else under_groups(above[0], names)


def _later_header(plain: Dialect, lines: list[tuple[int, str]]) -> tuple[str, ...] | None:
    """Header that stands among the rows only, as of a log cut at its start or taken up again."""
    for number, line in lines:
        late = number > plain.first_row
        cells = named_cells(line, plain.delimiter, plain.fields) if late else ()
        if len(cells) != plain.fields or len(set(cells)) < len(cells) or len(cells) < 2:
            continue
        if any(not cell or _is_value(cell, plain.decimal) for cell in cells):
            continue
        if sum(_are_names((cell,)) for cell in cells) >= 2:
            return cells
    return None


def _trimmed(cells: tuple[str, ...], fields: int) -> tuple[str, ...]:
    """Header cells without empty ones past the last cell of a row."""
    while len(cells) > fields and not cells[-1]:
        cells = cells[:-1]
    return cells


def _are_names(cells: tuple[str, ...]) -> bool:
    """Whether cells look like column headers and not like prose."""
    usual = _USUAL | {"name", "duration", "loop", "dt", "section"}
    return any(split_unit(cell)[1] is not None or cell.lower() in usual for cell in cells)


def _are_units(cells: tuple[str, ...]) -> bool:
    """Whether cells are units and nothing else, one of them a time unit."""
    bare = [_bare_unit(cell) for cell in cells]
    times = [cell for cell in bare if cell and word_unit(cell)]
    short = all(len(cell) <= 6 and "_" not in cell for cell in bare)
    if not (times and short and _NO_UNITS.isdisjoint(map(str.lower, bare))):
        return False
    from looptime.parsers.text.talk import names_alone  # most logs have no such line

    return not names_alone(cells)


def _in_units_of(names: tuple[str, ...], units: tuple[str, ...]) -> tuple[str, ...]:
    """Names with the units of the line below them, where they say none themselves."""
    return tuple(
        f"{name} [{unit}]" if unit and split_unit(name)[1] is None else name
        for name, unit in zip(names, map(_bare_unit, units), strict=False)
    )


def _reaches_over(groups: tuple[str, ...], cells: tuple[str, ...]) -> bool:
    """Whether a name in the row above is that of several cells."""
    pairs = zip(groups[1:], groups, cells[1:], strict=False)
    return any(cell and one in ("", before) for one, before, cell in pairs)


def _bare_unit(cell: str) -> str:
    """A unit without brackets; a dash stands for none."""
    return cell.strip("[]() -")


def _short_header(plain: Dialect, cells: tuple[str, ...]) -> tuple[str, ...] | None:
    """A header with one name too few: the rows end in a delimiter, or begin with an index."""
    if plain.sample and all(row[-1] == "" for row in plain.sample):
        return (*cells, "")
    first = numbers(plain, 0)
    if len(first) > 1 and (np.diff(first) == 1).all():
        return ("", *cells)
    return None


def _described(plain: Dialect, every: list[tuple[int, str]]) -> Dialect:
    """The header that the comments above the first row are: one, or a line for each column."""
    from looptime.parsers.text.described import described  # most logs have a header

    names = described([line for at, line in every if at < plain.first_row], plain.fields)
    return _commented(plain, every) if names is None else replace(plain, header=names)


def _commented(plain: Dialect, every: list[tuple[int, str]]) -> Dialect:
    """Take the comment right above the first row for the header if it names every column."""
    above = [line for number, line in every if number < plain.first_row and line.strip()]
    if not above or not above[-1].lstrip().startswith("#"):
        return plain
    said = [line.strip().lstrip("#").strip() for line in above]
    units = named_cells(said[-1], plain.delimiter, plain.fields)
    if len(said) > 1 and len(units) == plain.fields and _are_units(units):
        names = _commented(plain, [(0, line) for line in above[:-1]]).header
        return plain if names is None else replace(plain, header=_in_units_of(names, units))
    text, unit, of_all = _stated_behind(_NAMES_FOLLOW.sub("", said[-1]))
    if plain.delimiter == " ":
        text = _SPACED_UNIT.sub("", text)
    cells = named_cells(text, plain.delimiter, plain.fields)
    if len(cells) == plain.fields and not cells[0]:  # the hash is the first cell
        cells = cells[1:]
    if len(cells) == plain.fields - 1 and _numbers_loops(plain):  # the hash is no comment's
        cells = ("loop", *cells)
    if plain.delimiter == " " and text.count(",") >= plain.fields - 1:  # names are not
        cells = named_cells(text, ",", plain.fields)
    if unit and len(cells) != plain.fields:  # names are set apart in another way
        cells = tuple(re.split(r"[,;|\s]+", text))
    words = [cell for cell in cells if cell and not _is_value(cell, plain.decimal)]
    if len(cells) != plain.fields or len(words) < len(cells):
        return plain
    if not _are_names(cells):
        from looptime.parsers.text.prose import are_names  # most comments name a time or a unit

        if not are_names(cells):
            return plain
    if ":" in cells[0]:
        return plain
    return replace(plain, header=_in_unit(cells, unit, range(len(cells) if of_all else 1)))


def _in_stated_unit(plain: Dialect, every: list[tuple[int, str]]) -> Dialect:
    """The header in the units that comments above the rows state, where it names none itself."""
    above = [line for number, line in every if number < plain.first_row and is_remark(line)]
    if above and plain.header:
        from looptime.parsers.text.angles import in_stated_angles

        if lists := [line for line in above if _LISTS_UNITS.search(line[:LONGEST_REMARK])]:
            from looptime.parsers.text.listed_units import in_listed_units

            plain = replace(plain, header=in_listed_units(plain.header, lists))
        plain = replace(plain, header=in_stated_angles(plain.header or (), above))
    header = plain.header or ()
    unit, of_all = stated_unit(above)
    if unit is None or any(split_unit(one)[1] for one in header):
        return plain
    fit = [at for at, one in enumerate(header)
           if one.lower() in _USUAL
           or (_may_be_times(numbers(plain, at)) and not names_reading(one))]  # fmt: skip
    fit = fit if of_all else fit[:1]
    fit = [at for at in fit if not _no_loop(plain, at, UNITS[unit])]
    return replace(plain, header=_in_unit(header, unit, fit))


def _no_loop(plain: Dialect, at: int, ns: int) -> bool:
    """Whether rows of nothing but numbers would be no loops if a column were their clock [ns]."""
    step = np.diff(numbers(plain, at))
    if len(step) < _BELOW or not (step > 0).mean() >= _MOSTLY or not holds_numbers(plain):
        return False
    return not _LOOP_NS[0] <= float(np.median(step)) * ns <= _LOOP_NS[1]


def stated_unit(remarks: Sequence[str]) -> tuple[str | None, bool]:
    """The one unit of time that remarks state, and whether it is that of all columns.

    Examples
    --------
    >>> stated_unit(["# instants in us"]), stated_unit(["# all times are ms", "# run 3"])
    (('us', False), ('ms', True))
    >>> stated_unit(["# ms since boot, > in, < out"]), stated_unit(["# 3 s since the last match"])
    (('ms', False), (None, False))
    >>> stated_unit(["[boot] clock = us"]), stated_unit(["# clock drift in us: 9"])
    (('us', False), (None, False))
    >>> stated_unit(["# time in s", "# parts, times in us"]), stated_unit(["all durations in us"])
    ((None, False), (None, False))
    >>> stated_unit(["# all times in ms", "# first column in s"])
    (None, False)
    """
    remarks = [line[:LONGEST_REMARK] for line in remarks]
    if any(at[1] is not None for line in remarks for at in _STATED.finditer(line)):
        # few remarks speak of all
        from looptime.parsers.text.exceptions import parts_units, states_several

        if states_several(remarks):  # what is said of one column is no other's
            return None, False
        remarks = [line for line in remarks if not parts_units(line)]
    told = [(at[2], at[1] is not None) for line in remarks for at in _STATED.finditer(line)]
    told += [(at[1], False) for line in remarks for at in _SINCE.finditer(line)]
    known = [(unit, every) for word, every in told if (unit := split_unit(f"x [{word}]")[1])]
    if len({unit for unit, _ in known}) != 1:
        return None, False
    return known[0][0], any(every for _, every in known)


def _may_be_times(values: Float) -> bool:
    """Whether cells are numbers, and count neither rows nor the loops that those are of."""
    step = np.diff(values)
    counts = len(step) > 2 and ((step == 0) | (step == 1)).mean() > 0.9 and (step == 1).any()
    return bool(np.isfinite(values).any()) and not counts


def _in_unit(cells: tuple[str, ...], unit: str | None, places: Sequence[int]) -> tuple[str, ...]:
    """Names with the time unit stated of some of them, where they say none of any kind."""
    return tuple(
        f"{one} [{unit}]"
        if unit and at in places and not split_unit(one)[1] and not of_another_unit(one)
        else one
        for at, one in enumerate(cells)
    )


def _numbers_loops(plain: Dialect) -> bool:
    """Whether the first cells are numbers that stay or go up by one."""
    first = numbers(plain, 0)
    steps = np.diff(first)
    return len(first) > 2 and bool(((steps == 0) | (steps == 1)).mean() > _MOSTLY)


def _stated_behind(text: str) -> tuple[str, str | None, bool]:
    """Names without brackets behind them, the unit that those state, whether it is that of all.

    Examples
    --------
    >>> _stated_behind("micros sense (all in us)"), _stated_behind("t x (times in ms)")
    (('micros sense', 'us', True), ('t x', 'ms', False))
    >>> _stated_behind("t [ms], volts (V)")
    ('t [ms], volts (V)', None, False)
    """
    found = _OF_ALL.search(text, max(0, len(text) - LONGEST_REMARK))
    unit = split_unit(f"x [{found[2]}]")[1] if found else None
    if found is None or unit is None:
        return text, None, False
    return text[: found.start()].strip(), unit, found[1] is not None
