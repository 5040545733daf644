"""Time units: every time inside looptime is an int64 count of nanoseconds."""

import re
from functools import lru_cache
from unicodedata import combining, normalize

from looptime.errors import UsageError

__all__ = [
    "LONGEST_NAME", "NS_PER_MS", "NS_PER_S", "NS_PER_US", "UNITS", "UNIT_WORD", "split_unit",
    "spoken_unit", "unit_ns", "without_accents", "word_unit",
]  # fmt: skip

NS_PER_US = 1_000
NS_PER_MS = 1_000_000
NS_PER_S = 1_000_000_000

#: Nanoseconds in one of each unit, by the name used in output.
UNITS: dict[str, int] = {"ns": 1, "us": NS_PER_US, "ms": NS_PER_MS, "s": NS_PER_S}

_SPELLINGS = {
    "ns": "ns", "nsec": "ns", "nsecs": "ns", "nanos": "ns", "nanosecond": "ns",
    "nanoseconds": "ns", "us": "us", "usec": "us", "usecs": "us", "micros": "us",
    "microsecond": "us", "microseconds": "us", "\N{MICRO SIGN}s": "us",
    "\N{GREEK SMALL LETTER MU}s": "us", "ms": "ms", "msec": "ms", "msecs": "ms",
    "millis": "ms", "millisecond": "ms", "milliseconds": "ms", "s": "s", "sec": "s",
    "secs": "s", "second": "s", "seconds": "s", "nanosec": "ns", "nanosecs": "ns",
    "microsec": "us", "microsecs": "us", "millisec": "ms", "millisecs": "ms",
    "\N{MICRO SIGN}sec": "us", "\N{GREEK SMALL LETTER MU}sec": "us",
}  # fmt: skip
#: Seconds in other languages, and those that by themselves are a number or an abbreviation.
_SECONDS = (
    "sekunden", "secondes", "seconden", "segundos", "secondi", "sekundy", "sekundach", "sekunder",
)  # fmt: skip
_SHORT_SECONDS = (
    "segundo", "secondo", "sekunda", "sekunde", "seconde", "sekund", "seg", "segs", "sek",
)  # fmt: skip
_PARTS = {"milli": "ms", "mili": "ms", "micro": "us", "mikro": "us", "nano": "ns"}
_SPELLINGS |= dict.fromkeys(_SECONDS, "s") | {
    f"{part}{joint}{word}": unit
    for part, unit in _PARTS.items()
    for word in (*_SECONDS, *_SHORT_SECONDS, "seconds", "second")
    for joint in (("", "s") if word.startswith("seg") else ("",))
}
#: Words that are a unit where one is spoken of, and no end of a name nor what a number counts.
_SPOKEN = dict.fromkeys(_SHORT_SECONDS, "s")
_ANY = "|".join(sorted({*_SPELLINGS, *_SPOKEN}, key=len, reverse=True))
#: A word of a unit of time in a text, in any of the languages.
UNIT_WORD = re.compile(
    rf"(?<![\w.])(?:(?:{'|'.join(_PARTS)})[\s-]s\w+|{_ANY})(?!\w)", re.IGNORECASE
)
_COUNTERS = {"nanos", "micros", "millis"}
_BRACKETED = re.compile(r"^(.*?)[\s_,]*[\[(]\s*(?:in\s+)?([^\])]+?)\s*[\])]\s*$")
_SUFFIXED = re.compile(
    r"^(.*?)(?:[\s_.\-]+in)?[\s_.,\-]+"
    r"((?:(?:nano|mi[ck]ro|mill?i)-)?[a-z\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]+)$"
)
# a speed's "a second": no length of time
_A_SECOND = re.compile(
    r"(?:^|[^a-z])(?:[mc]?(?:deg(?:ree)?s?|rad(?:ian)?s?)|\N{DEGREE SIGN}|grad|revs?|rot|mm|cm|m)"
    r"[\s_./]*(?:per)?[\s_./]+(?:s|secs?|seconds?)$"
    r"|[a-z\d][\s_.-]+per[\s_.-]+(?:s|secs?|seconds?|ms|us)$"
)
# "us" in front may be short for ultrasonic
_PREFIXED = re.compile(
    r"^(ms|ns|msec|usec|nsec|millis|micros|nanos|milliseconds|microseconds|nanoseconds)"
    r"[\s_.\-]+(.*[A-Za-z].*)$",
    re.IGNORECASE,
)
# one word for a clock: nanoTime, microtime
_OF_A_CLOCK = re.compile(r"^(nano|micro|milli)s?[\s_]*(time|stamp|timestamp|clock)$", re.IGNORECASE)
# a longer text is no header: a search in it may take the square of its length
LONGEST_NAME = 400
# camelCase headers: startUs, durationMs, timeNs
_CAMEL = re.compile(
    r"^(.*[a-z0-9][A-Z]?)((?<![A-Z])[NUM]S|[NUM]s|[MUN]?Secs?|Seconds|Millis|Micros|Nanos"
    r"|(?<=[a-z]{2})S)$"
)


def unit_ns(unit: str) -> int:
    """Nanoseconds in one `unit`.

    Parameters
    ----------
    unit : str
        ``ns``, ``us``, ``ms``, ``s`` or an ordinary spelling of one of them.

    Raises
    ------
    UsageError
        If the unit is not one of these.

    Examples
    --------
    >>> unit_ns("us")
    1000
    >>> unit_ns("millis")
    1000000
    """
    known = _SPELLINGS.get(unit.strip().lower())
    if known is None:
        raise UsageError(f"unit {unit!r} is not known: use one of ns, us, ms, s")
    return UNITS[known]


@lru_cache(maxsize=1 << 16)
def word_unit(word: str) -> str | None:
    """The time unit that a word is, or that a header of which it is the end would name.

    In any of the languages, with or without accents. Words that are short for other things as
    well are none, as in ``path 3 seg 2``; `spoken_unit` knows them.

    Examples
    --------
    >>> word_unit("Sec"), word_unit(" ms "), word_unit("imu"), word_unit("sections")
    ('s', 'ms', None, None)
    >>> word_unit("seg"), spoken_unit("seg")
    (None, 's')
    >>> word_unit("microssegundos"), word_unit("Mili-segundos"), word_unit("mikrosekundy")
    ('us', 'ms', 'us')
    """
    return split_unit(f"x_{without_accents(word.strip().lower())}")[1]


def spoken_unit(word: str) -> str | None:
    """The time unit that a word is where a remark speaks of units; as `word_unit`, and more.

    Examples
    --------
    >>> spoken_unit("Sek"), spoken_unit("segundo"), spoken_unit("ms"), spoken_unit("segment")
    ('s', 's', 'ms', None)
    """
    return word_unit(word) or _SPOKEN.get(without_accents(word.strip().lower()))


def without_accents(text: str) -> str:
    r"""A text with its letters bare of accents.

    Examples
    --------
    >>> without_accents("Desviaci\xf3n"), without_accents("dur\xe9e"), without_accents("ms")
    ('Desviacion', 'duree', 'ms')
    """
    if text.isascii():
        return text
    return "".join(one for one in normalize("NFKD", text) if not combining(one))


@lru_cache(maxsize=1 << 16)
def split_unit(header: str) -> tuple[str, str | None]:
    """Split a column header into its stem and its time unit.

    Returns
    -------
    stem : str
        The header without the unit.
    unit : str or None
        ``ns``, ``us``, ``ms`` or ``s``; None where the header names no unit.

    Examples
    --------
    >>> split_unit("start_us")
    ('start', 'us')
    >>> split_unit("Loop time [ms]")
    ('Loop time', 'ms')
    >>> split_unit("gyro (mean of 2, us)")
    ('gyro', 'us')
    >>> split_unit("startMicros"), split_unit("encAMs"), split_unit("tBeginS"), split_unit("GPS")
    (('start', 'us'), ('encA', 'ms'), ('tBegin', 's'), ('GPS', None))
    >>> split_unit("ms_capture"), split_unit("nanoTime")
    (('capture', 'ms'), ('Time', 'ns'))
    >>> split_unit("heading"), split_unit("gyro_z_rad_s"), split_unit("kB_per_s")
    (('heading', None), ('gyro_z_rad_s', None), ('kB_per_s', None))
    """
    text = header.strip()
    if len(text) > LONGEST_NAME:
        return text, None
    bracketed = _BRACKETED.match(text)
    for said in re.split(r"\s*[,;]\s*", bracketed[2].lower()) if bracketed else ():
        if bracketed and (one := said.replace("-", "")) in _SPELLINGS:  # the rest is a remark
            return bracketed[1].strip(), _SPELLINGS[one]
    if _A_SECOND.search(text.lower()):
        return text, None
    camel = _CAMEL.match(text)
    if camel and camel[2].lower() in _SPELLINGS:
        return camel[1], _SPELLINGS[camel[2].lower()]
    suffixed = _SUFFIXED.match(text.lower())
    said = "" if suffixed is None else suffixed[2].replace("-", "")
    if suffixed and said in _SPELLINGS:
        return text[: len(suffixed[1])], _SPELLINGS[said]
    prefixed = _PREFIXED.match(text)
    if prefixed:
        return prefixed[2], _SPELLINGS[prefixed[1].lower()]
    clock = _OF_A_CLOCK.match(text)
    if clock:
        return clock[2], _SPELLINGS[f"{clock[1].lower()}s"]
    # a bare "micros" or "millis" is a counter by that name; a bare "s" or "us" says too little
    return text, _SPELLINGS[text.lower()] if text.lower() in _COUNTERS else None
