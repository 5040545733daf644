"""Numbers and lists as words."""

import math
import re
import shlex
from collections.abc import Iterable, Sequence

__all__ = [
    "LEAST_MS", "brief", "changed", "count", "figure", "in_words", "listed", "ms", "named",
    "number", "p_value", "percent", "shell_word", "signed", "supposing", "three",
]  # fmt: skip

#: A change below this is none [ms].
LEAST_MS = 0.0005


def listed(names: Sequence[str], most: int = 3) -> str:
    """The first few names, set apart by commas, and how many more there are.

    Examples
    --------
    >>> listed(["a", "b"]), listed(["a", "b", "c", "d", "e"])
    ('a, b', 'a, b, c and 2 more')
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def named(names: Sequence[str], most: int = 3) -> str:
    """The same within a sentence, where few names end with an "and".

    Examples
    --------
    >>> named(["a", "b"]), named(["a", "b", "c", "d", "e"])
    ('a and b', 'a, b, c and 2 more')
    """
    if len(names) > most:
        return listed(names, most)
    return " and ".join(part for part in (", ".join(names[:-1]), *names[-1:]) if part)


def number(value: float | None, digits: int = 3) -> str:
    """A number with `digits` significant digits and no exponent; a dash where there is none.

    Examples
    --------
    >>> number(12.3456), number(0.01234), number(1234.5), number(None)
    ('12.3', '0.0123', '1234', '-')
    """
    if value is None or math.isnan(value):
        return "-"
    if value == 0:
        return "0"
    magnitude = abs(float(f"{value:.{digits}g}"))  # 99.96 is shown as 100
    if magnitude >= 10 ** (digits - 1):
        return f"{value:.0f}"
    whole = len(str(int(magnitude))) if magnitude >= 1 else 0
    if whole:
        return f"{value:.{digits - whole}f}"
    shown = f"{value:.{digits}g}"
    if "e" in shown:
        shown = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if shown == "-0" else shown


def figure(value: float | None, low: float | None, high: float | None, digits: int = 3) -> str:
    """A figure with its interval: ``12.3 (12.1 to 12.5)``.

    Examples
    --------
    >>> figure(12.34, 12.1, 12.5)
    '12.3 (12.1 to 12.5)'
    >>> figure(12.34, None, None)
    '12.3'
    """
    if value is None or low is None or high is None:
        return number(value, digits)
    return f"{number(value, digits)} ({number(low, digits)} to {number(high, digits)})"


def count(number: int, what: str) -> str:
    """So many of something, in the singular where it is one.

    Examples
    --------
    >>> count(1, "run"), count(1234, "run"), count(2, "entry")
    ('1 run', '1,234 runs', '2 entries')
    """
    if number == 1:
        return f"1 {what}"
    return f"{number:,} {what[:-1]}ies" if what.endswith("y") else f"{number:,} {what}s"


def three(value: float) -> str:
    """A number with three digits that count, never with an exponent.

    Examples
    --------
    >>> three(999.7), three(4.0), three(0.01234), three(12345.6)
    ('1000', '4', '0.0123', '12346')
    """
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "-"
    digits = 2 - math.floor(math.log10(abs(value)))
    shown = f"{value:.{min(max(digits, 0), 9)}f}"
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


def ms(value: float) -> str:
    """A time in words: three digits, in ms, or in s from one second on.

    Examples
    --------
    >>> ms(4.0213), ms(0.01234), ms(1500), ms(12.0)
    ('4.02 ms', '0.0123 ms', '1.5 s', '12 ms')
    >>> ms(999.8)
    '1 s'
    """
    if abs(value) >= 999.5:
        return f"{three(value / 1000)} s"
    return f"{three(value)} ms"


def brief(value: float | None, digits: int = 3) -> str:
    """A time [ms] to three digits and no finer than a microsecond.

    Examples
    --------
    >>> brief(0.04761), brief(12.34), brief(-0.0041, 2), brief(0.0001), brief(None)
    ('0.048', '12.3', '-0.004', '0', '-')
    """
    if value is None or abs(value) >= 0.1:
        return number(value, digits)
    shown = f"{value:.3f}"
    return "0" if float(shown) == 0 else shown


def p_value(p: float | None) -> str:
    """A p-value in three decimals."""
    if p is None:
        return "-"
    return "<0.001" if p < 0.001 else f"{p:.3f}"


def in_words(percent: float, sign: str = "") -> str:
    """Two figures of a percentage, and no power of ten where it is large.

    Examples
    --------
    >>> in_words(0.4321), in_words(117.2), in_words(12.3, "+"), in_words(-250.0, "+")
    ('0.43', '117', '+12', '-250')
    """
    return f"{percent:{sign}.2g}" if abs(percent) < 99.5 else f"{percent:{sign}.0f}"


def percent(share: float | None) -> str:
    """A share in percent, two digits that count; a dash where there is none.

    Examples
    --------
    >>> percent(0.413), percent(0.0998), percent(0.0123), percent(0.0004), percent(None)
    ('41 %', '10 %', '1.2 %', '0.04 %', '-')
    """
    if share is None:
        return "-"
    at = 100 * share
    return f"{at:.0f} %" if abs(at) >= 9.95 else f"{three(float(f'{at:.2g}'))} %"


def signed(value: float | None, digits: int = 2, *, least: float = 0.0, tidy: bool = False) -> str:
    """A change with its sign; a dash where there is none, 0 where it is below `least`.

    Examples
    --------
    >>> signed(2.13), signed(-4.3, 3), signed(None), signed(0.0003, least=0.0005)
    ('+2.1', '-4.30', '-', '0')
    >>> signed(0.5, tidy=True)
    '+0.5'
    """
    if value is None:
        return "-"
    shown = three(value) if tidy else number(value, digits)
    return "0" if abs(value) < least else ("+" if value > 0 else "") + shown


def changed(value: float | None, low: float | None, high: float | None, digits: int = 3) -> str:
    """A change in ms with its interval, no finer than `LEAST_MS`: ``-4.30 (-4.80 to -3.90)``.

    Examples
    --------
    >>> changed(-4.3, -4.8, -3.9), changed(0.5, None, None), changed(None, None, None)
    ('-4.30 (-4.80 to -3.90)', '+0.5', '-')
    """
    shown = [signed(v, digits, least=LEAST_MS) for v in (value, low, high)]
    return shown[0] if "-" in shown else f"{shown[0]} ({shown[1]} to {shown[2]})"


def supposing(text: str, supposed: Iterable[str]) -> str:
    """Text whose first sentence says what it rests on though little shows it.

    Examples
    --------
    >>> supposing("It takes 9.97 ms. Look there.", ["the times are in ms", ""])
    'It takes 9.97 ms (if the times are in ms). Look there.'
    >>> supposing("It takes 9.97 ms.", [])
    'It takes 9.97 ms.'
    """
    said = " and ".join(dict.fromkeys(filter(None, supposed)))
    if not said:
        return text
    first, stop, rest = text.partition(". ")
    end = "" if stop or not first.endswith(".") else "."
    return f"{first.removesuffix(end)} (if {said}){end}{stop}{rest}"


def shell_word(text: str) -> str:
    r"""A word as a shell takes it: in double quotes, which every shell knows, where they do.

    Examples
    --------
    >>> shell_word("a.csv"), shell_word("batch drive.*.read"), shell_word('a "b"')
    ('a.csv', '"batch drive.*.read"', '\'a "b"\'')
    """
    if re.fullmatch(r"[\w@%+=:,./-]+", text):
        return text
    return shlex.quote(text) if re.search(r'["$`\\]|!(?!=)', text) else f'"{text}"'
