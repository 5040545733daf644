"""Tables whose cells spell their values out: ``1.25 ms``, ``1m02.5s``, ``0:00:00.01``, ``0x1F``."""

import re
from collections import Counter
from decimal import Decimal
from itertools import pairwise

from looptime.parsers.lines.grid import Grid, fit_cell
from looptime.parsers.text.dialect import is_missing, is_number, is_remark, split_line
from looptime.units import NS_PER_S, UNITS, word_unit

__all__ = ["seconds_of", "spelled"]

_FIRST = 60
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_UNIT = re.compile(rf"({_NUMBER})\s?([a-zA-Z\N{{MICRO SIGN}}\N{{GREEK SMALL LETTER MU}}]+)")
_PARTS = re.compile(
    r"(?:(\d+)\s?h)?\s?(?:(\d+)\s?m(?:in)?)?\s?(?:(\d+(?:\.\d+)?)\s?s)?(?:\s?(\d+(?:\.\d+)?)\s?ms)?"
)
#: Hours, minutes and seconds; without hours a fraction tells the seconds.
_CLOCK = re.compile(
    r"(?:(\d+) days?,? )?\+?(?:(\d+):(\d\d):(\d\d(?:[.,]\d+)?)|(\d{1,3}):(\d\d[.,]\d+))"
)
#: A number in hexadecimal, and one whose thousands are set off in a cell of its own.
_HEX = re.compile(r"0[xX][0-9a-fA-F]+")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?")
#: A time of day whose milliseconds are set apart by a colon too.
_COLONS = re.compile(r"\d?\d:\d\d:\d\d:\d{3}")
#: A number with a decimal comma, with its unit or none, which three digits might set off.
_COMMA = re.compile(r"[+-]?(?:0,\d+|\d+,(?:\d{1,2}|\d{4,}))\s?[^\W\d_]*")
_WITH_COMMA = re.compile(r"([+-]?\d+),(\d+(?:\s?[^\W\d_]+)?)")
_A_DAY = 86_400
#: Columns of such numbers, which are in the unit of their header; and of hexadecimal ones that
#: nothing but their letters and their one width tell from others.
_NUMBERS, _HEXES = "numbers", "hexadecimal"
_BARE_HEX = re.compile(r"[0-9a-fA-F]{4,16}")


def _number(cell: str) -> str | None:
    """A number that is spelt in another way, as plain digits.

    Examples
    --------
    >>> _number("0x1F"), _number("1,234,567"), _number("10:02:59:120"), _number("12.5") is None
    ('31', '1234567', '10:02:59.120', True)
    """
    cell = cell.strip()
    if _HEX.fullmatch(cell):
        return str(int(cell, 16))
    if _COLONS.fullmatch(cell):
        return ".".join(cell.rsplit(":", 1))
    return cell.replace(",", "") if _GROUPED.fullmatch(cell) else None


def _plain(cell: str) -> tuple[str, str] | None:
    """A cell's number and the time unit after it."""
    found = _UNIT.fullmatch(cell.strip())
    unit = word_unit(found[2]) if found else None
    return (found[1], unit) if found and unit else None


def seconds_of(cell: str) -> Decimal | None:
    """A length of time that a cell spells out [s]; None where it spells none.

    Examples
    --------
    >>> seconds_of("1m02.5s"), seconds_of("0:00:00.012345"), seconds_of("1.25 ms")
    (Decimal('62.5'), Decimal('0.012345'), Decimal('0.00125'))
    >>> seconds_of("00:00:00,0102"), seconds_of("1:02,5"), seconds_of("1 day 00:00:00,5")
    (Decimal('0.0102'), Decimal('62.5'), Decimal('86400.5'))
    >>> seconds_of("12") is None, seconds_of("12:01") is None
    (True, True)
    """
    cell = cell.strip()
    plain = _plain(cell)
    if plain is not None:
        return Decimal(plain[0]) * UNITS[plain[1]] / NS_PER_S
    clock = _CLOCK.fullmatch(cell)
    if clock is not None:
        told = (Decimal((part or "0").replace(",", ".")) for part in clock.groups())
        days, hours, minutes, seconds, lone_minutes, lone_seconds = told
        minutes, seconds = minutes + lone_minutes, seconds + lone_seconds
        return ((days * 24 + hours) * 60 + minutes) * 60 + seconds
    parts = _PARTS.fullmatch(cell) if cell[:1].isdecimal() and not is_number(cell) else None
    if parts is None or (sum(map(bool, parts.groups())) < 2 and "min" not in cell):
        return None  # "5m" may be metres
    hours, minutes, seconds, millis = (Decimal(part or 0) for part in parts.groups())
    return (hours * 60 + minutes) * 60 + seconds + millis / 1000


def spelled(lines: list[str]) -> Grid | None:
    r"""A table with plain numbers in place of times with units; None where it has none.

    Examples
    --------
    >>> grid = spelled(["t,imu", "1.5 s,900 us", "1.52 s,1.1 ms", "1.54 s,950 us"])
    >>> grid.header(), grid.rows[2]
    (['t [s]', 'imu [ns]'], ['1.52', '1100000'])
    """
    rows = [at for at, line in enumerate(lines[: 4 * _FIRST]) if not is_remark(line)][:_FIRST]
    if len(rows) < 4:
        return None
    for delimiter in (",", ";", "\t", "|"):
        read = lines if delimiter == "," else _pointed(lines, rows[1:], delimiter)
        names = split_line(read[rows[0]], delimiter)
        table = [split_line(read[at], delimiter) for at in rows[1:]]
        whole = [cells for cells in table if len(cells) == len(names)]
        if len(names) < 2 or len(whole) < 0.8 * len(table) or any(map(is_number, names)):
            continue
        columns = list(map(list, zip(*whole, strict=True)))
        told = [_kind(cells, delimiter) for cells in columns]
        told = [kind or _bare_hex(cells) for kind, cells in zip(told, columns, strict=True)]
        kinds = {at: kind for at, kind in enumerate(told) if kind}
        if kinds and all(seconds_of(names[at]) is None for at in kinds):
            return _grid(Grid(lines, headers={rows[0]}), read, delimiter, names, kinds)
    return None


def _pointed(lines: list[str], rows: list[int], delimiter: str) -> list[str]:
    """Lines with decimal points for the commas of a table some of whose cells have one."""
    cells = (cell.strip() for at in rows for cell in split_line(lines[at], delimiter))
    if not any(map(_COMMA.fullmatch, cells)):
        return lines
    return [delimiter.join(_with_point(cell) for cell in line.split(delimiter)) for line in lines]


def _with_point(cell: str) -> str:
    found = _WITH_COMMA.fullmatch(cell.strip())
    return cell if found is None else f"{found[1]}.{found[2]}"


def _kind(cells: list[str], delimiter: str) -> str:
    """Unit in which a column is to be written; empty where its cells spell no lengths of time."""
    given = [cell for cell in cells if not is_missing(cell)]
    spelt = [cell for cell in given if _number(cell) is not None]
    if delimiter != ",":  # a comma may be that of a decimal number
        spelt = [cell for cell in spelt if "," not in cell]
    if len(given) > 2 and spelt and all(map(is_number, set(given) - set(spelt))):
        return _NUMBERS
    units = Counter(plain[1] for cell in given if (plain := _plain(cell)))
    if len(given) > 2 and units.total() >= 0.9 * len(given):
        return units.most_common(1)[0][0] if len(units) == 1 else "ns"
    lengths = [value for cell in given if (value := seconds_of(cell)) is not None]
    if len(given) < 3 or len(lengths) < 0.9 * len(given):
        return ""
    of_day = sum(_CLOCK.fullmatch(cell.strip()) is not None for cell in given) > 0.5 * len(given)
    return "" if of_day and _goes_on(lengths) else "ns"


def _bare_hex(cells: list[str]) -> str:
    """Kind of a counter's column that is written in hexadecimal with no mark before it.

    Examples
    --------
    >>> _bare_hex(["FFFFFF80", "FFFFFFC1", "00000002"]), _bare_hex(["face", "cafe", "face", "dead"])
    ('hexadecimal', '')
    """
    given = [cell.strip() for cell in cells if not is_missing(cell)]
    if len(given) < 3 or len(set(map(len, given))) > 1 or not all(map(_BARE_HEX.fullmatch, given)):
        return ""
    if all(map(str.isdecimal, given)) or not any(any(map(str.isdecimal, c)) for c in given):
        return ""
    whole = 1 << 4 * len(given[0])
    steps = [(int(b, 16) - int(a, 16)) % whole for a, b in pairwise(given)]
    return _HEXES if all(step < whole // 8 for step in steps) else ""


def _goes_on(times: list[Decimal]) -> bool:
    """Whether times [s] rise as stamps do, and fall but seldom; after midnight they go on.

    Parts of a second that stand still are lengths.

    Examples
    --------
    >>> [_goes_on([*map(Decimal, cells)]) for cells in ((5, 6, 8), (2, 3, 2, 2), ("0.2", "0.2"))]
    [True, False, False]
    """
    steps = [b - a + (_A_DAY if a - b > _A_DAY / 2 else 0) for a, b in pairwise(times)]
    up, down = sum(step > 0 for step in steps), sum(step < 0 for step in steps)
    return 4 * down <= up if up + down else not 0 < times[0] < 1


def _grid(
    grid: Grid, lines: list[str], delimiter: str, names: list[str], kinds: dict[int, str]
) -> Grid:
    for at, name in enumerate(names):
        grid.names.append(fit_cell(name))
        kind = kinds.get(at)
        grid.units.append(None if kind in (_NUMBERS, _HEXES) else kind)
    for at, line in enumerate(lines):
        cells = [] if at in grid.headers or is_remark(line) else split_line(line, delimiter)
        if len(cells) != len(names):
            grid.rows.append(None)
            continue
        made = [fit_cell(_written(cell, kinds[k]) if k in kinds else cell)
                for k, cell in enumerate(cells)]  # fmt: skip
        grid.rows.append(made)
    return grid


def _written(cell: str, unit: str) -> str:
    """A cell's length as a number of `unit`, with its own digits where it is in that unit."""
    if unit == _HEXES:
        return str(int(cell, 16)) if _BARE_HEX.fullmatch(cell.strip()) else cell
    if unit == _NUMBERS:
        return _number(cell) or cell
    plain = _plain(cell)
    if plain is not None and plain[1] == unit:
        return plain[0]
    seconds = seconds_of(cell)
    if seconds is None:
        return cell
    return format((seconds * NS_PER_S / UNITS[unit]).normalize(), "f")
