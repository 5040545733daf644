"""Counters of cycles or ticks: how long a count is, and counts as nanoseconds."""

import re

import numpy as np

from looptime.array_types import Float
from looptime.parsers.text.dialect import is_number
from looptime.units import UNITS, word_unit

__all__ = [
    "COUNT",
    "RATES",
    "SLOWEST",
    "count_ns",
    "counts",
    "of_a_counter",
    "stamps_in_ns",
    "to_ns",
    "without_wraps",
]

#: A word for counts or for what counts, in a header or a remark.
COUNT = re.compile(
    r"(?i:(?<![a-z])(?:cpu[\s_.]*)?(?:cyc(?:les?|cnt)?|ccount|ticks?|counts?|counters?|timers?|"
    r"tim\d*|tcnt|dwt|systick)(?![a-z]))|(?<=[a-z])(?:Ticks|Cycles|Counts)(?![a-z])"
)
#: Those that tell of a column by themselves that it counts: in front, or at its header's end.
_BY_ITSELF = re.compile(
    r"^(?:cyc(?:les|cnt)?|ccount|dwt)(?=[\s_.])|"
    r"(?:^|[\s_.])(?:cyc(?:les|cnt)?|ccount|ticks|counts|(?:tick|cycle|timer)[\s_.]?counts?)$",
    re.IGNORECASE,
)
_HZ = re.compile(
    r"(?<![\w.])(\d{1,3}(?:[_']\d{3})+|\d+(?:\.\d+)?(?:[eE]\+?\d+)?)\s*([GMk]?)Hz\b", re.IGNORECASE
)
_KEY = re.compile(
    r"(?:hz|freq\w*|clock\w*|per[\s_]second)\s*[:=]\s*(\d+(?:\.\d+)?(?:[eE]\+?\d+)?)\s*$",
    re.IGNORECASE,
)
_EACH = re.compile(r"(?:tick|cycle|count)\w*\s*[:=]\s*(\d+(?:\.\d+)?)\s*(?:ns)?\s*$", re.IGNORECASE)
_LENGTH = r"(\d+(?:\.\d+)?)\s*(ns|[u\N{MICRO SIGN}]s|ms)"
#: How long a count is: "ticks of 4 us", "1 tick = 0.5 us", "100 ns per count".
_OF_LENGTH = re.compile(
    rf"(?:ticks?|counts?|cycles?)\s*(?:of|is|are|takes?|lasts?|=|:)\s*{_LENGTH}\b|"
    rf"{_LENGTH}\s*(?:/|per|an?|each|every)\s*(?:ticks?|counts?|cycles?)\b",
    re.IGNORECASE,
)
#: Counts a second in one of a unit of rate, without its Hz.
RATES = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
#: Counts of 100 ns from the year 1 and from 1601 to 1970, by the range of dates from 2001 on.
_EPOCHS = (
    ("year 1", 621_355_968_000_000_000, 631_000_000_000_000_000, 662_000_000_000_000_000),
    ("1601", 116_444_736_000_000_000, 126_000_000_000_000_000, 157_000_000_000_000_000),
)
#: Counts of a rate that is stated are no longer than this [ns].
SLOWEST = 10_000
#: Loops are no longer than this as a rule [us]; words for what counts its own cycles.
_USUAL_US = 100_000
_PROCESSOR = re.compile(
    r"(?<![a-z])(?:core|f?_?cpu|mcu|processor|clock|sysclk)(?![a-z])|^[\W_]*[\d.]+\s*[GMk]?Hz\W*$",
    re.IGNORECASE,
)
_WRAPS = (2**16, 2**24, 2**32)


def counts(header: str) -> bool:
    """Whether a header says without a rate beside it that its column counts.

    Examples
    --------
    >>> [counts(one) for one in ("gyro_ticks", "cyc_adc_done", "tick", "timer", "ticks_left")]
    [True, True, False, False, False]
    """
    return _BY_ITSELF.search(header) is not None


def count_ns(remarks: list[str], clocks: list[list[str]]) -> tuple[float | None, str]:
    """Nanoseconds in one count, and who says so; None where nobody does.

    Examples
    --------
    >>> count_ns(["# CPU frequency: 250 MHz"], [])
    (4.0, '250 MHz by a line of the log')
    >>> count_ns(["# tick_ns: 100"], []), count_ns(["# board: a"], [["1", "2"]])
    ((100.0, '100 ns a count by a line of the log'), (None, ''))
    >>> count_ns(["# all times in ticks of 4 us"], [])[0], count_ns(["# 0.5 us per count"], [])[0]
    (4000.0, 500.0)
    """
    for text in remarks:
        hz = _HZ.search(text)
        rate = float(re.sub("[_']", "", hz[1])) * RATES[hz[2].lower()] if hz else 0.0
        if hz is not None and rate > 0:
            return 1e9 / rate, f"{hz[0].strip()} by a line of the log"
        key = _KEY.search(text)
        if key is not None and float(key[1]) > 0:
            return 1e9 / float(key[1]), f"{float(key[1]):,.10g} Hz by a line of the log"
        length = _OF_LENGTH.search(text)
        if length is not None:
            number, unit = (length[1], length[2]) if length[1] else (length[3], length[4])
            ns = float(number) * UNITS[word_unit(unit) or "ns"]
            if ns > 0:
                return ns, f"{number} {unit} a count by a line of the log"
        each = _EACH.search(text) if "ns" in text else None
        if each is not None and float(each[1]) > 0:
            return float(each[1]), f"{each[1]} ns a count by a line of the log"
    for cells in clocks:
        values = [int(cell) for cell in cells[:200] if cell.strip().isdecimal()]
        for since, _, low, high in _EPOCHS:
            if values and low <= min(values) and max(values) <= high:
                return 100.0, f"100 ns a count, as dates since {since}"
    return None, ""


def of_a_counter(remarks: list[str]) -> bool:
    """Whether a remark says of counts, in one breath, how long they are.

    Examples
    --------
    >>> of_a_counter(["# timer at 2 MHz"]), of_a_counter(["# CPU 84 MHz, cycle time 20 ms"])
    (True, False)
    """
    pieces = [piece for text in remarks for piece in re.split("[,;]", text) if COUNT.search(piece)]
    return count_ns(pieces, [])[0] is not None


def stamps_in_ns(
    stamps: list[str], remarks: list[str], step: float
) -> tuple[list[str] | None, str]:
    """Stamps of a counter as nanoseconds, and what is said of it; None where they may be none.

    What counts more slowly than a microsecond each is no processor's counter: the rate is of
    something else, such as a sensor. A processor's rate is no more than a fact about the board
    where loops are as long as they may be if the stamps are in microseconds.

    Parameters
    ----------
    stamps, remarks : list of str
        As printed.
    step : float
        Usual step of the stamps from loop to loop.

    Examples
    --------
    >>> stamps_in_ns(["72", "4294967295", "71"], ["# counter at 72 MHz"], 2e4)[0]
    ['1000', '59652323542', '59652324542']
    >>> stamps_in_ns(["72", "80"], ["# imu at 200 Hz"], 8)[0]
    >>> [stamps_in_ns(["72", "80"], [text], 2e4)[0] for text in ("# spi at 8 MHz", "# core 8 MHz")]
    [None, None]
    """
    ns, told = count_ns(remarks, [])
    if ns is None or ns > SLOWEST or not all(stamp.isdecimal() for stamp in stamps):
        return None, ""
    if not of_a_counter(remarks) and (
        step <= _USUAL_US or count_ns(list(filter(_PROCESSOR.search, remarks)), [])[0] != ns
    ):
        return None, ""
    return to_ns(stamps, ns, told, True), f"counts are brought to ns: {told}"


def to_ns(cells: list[str], ns: float, told: str, clock: bool) -> list[str]:
    """Cells as nanoseconds; a clock's wraps are undone.

    Examples
    --------
    >>> to_ns(["65000", "464", "1464"], 1000.0, "", True)
    ['65000000', '66000000', '67000000']
    """
    origin = next((at for since, at, _, _ in _EPOCHS if told.endswith(f"since {since}")), 0)
    whole = [int(cell) - origin if cell.strip().isdecimal() else None for cell in cells]
    if clock:
        whole = _unwrapped(whole)
    made = []
    for cell, value in zip(cells, whole, strict=True):
        if value is None:
            made.append(f"{float(cell) * ns:.0f}" if is_number(cell) else cell)
        else:
            made.append(str(value * int(ns)) if float(ns).is_integer() else f"{value * ns:.0f}")
    return made


def without_wraps(values: Float) -> Float | None:
    """A counter's values with what it lost at its wraps; None where they are no counter's.

    Examples
    --------
    >>> import numpy as np
    >>> without_wraps(np.array([60000.0, 64000, 2464, 6464])).tolist()
    [60000.0, 64000.0, 68000.0, 72000.0]
    >>> without_wraps(np.array([12.5, 13.5])), without_wraps(np.array([7.0, 3, 9, 2, 8]))
    (None, None)
    """
    known = values[np.isfinite(values)]
    if len(known) < max(2, len(values)) or (known != np.rint(known)).any() or known.min() < 0:
        return None
    if known.max() >= 2**63:  # of no counter that there is
        return None
    made = np.array(_unwrapped([int(v) for v in known]), np.float64)
    return made if bool((np.diff(made) > 0).all()) else None


def _unwrapped(values: list[int | None]) -> list[int | None]:
    """Counts with what a counter lost at its wraps; restarts stay as they are."""
    known = np.array([v for v in values if v is not None], np.int64)
    wrap = next((size for size in _WRAPS if len(known) and known.max() < size), None)
    step = np.diff(known)
    forward = step[step > 0]
    if wrap is None or not (step < 0).any() or not len(forward):
        return values
    if ((step[step < 0] + wrap) > 20 * np.median(forward)).any():
        return values
    add, before, made = 0, None, []
    for value in values:
        if value is not None and before is not None and value < before:
            add += wrap
        before = value if value is not None else before
        made.append(None if value is None else value + add)
    return made
