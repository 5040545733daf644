"""Units of time and how column headers name them."""

import pytest

from looptime.errors import UsageError
from looptime.units import UNITS, split_unit, spoken_unit, unit_ns, word_unit


@pytest.mark.parametrize(
    ("spelling", "ns"),
    [("ns", 1), ("us", 10**3), ("µs", 10**3), ("μs", 10**3), (" Micros ", 10**3),
     ("msec", 10**6), ("Seconds", 10**9), ("s", 10**9)],
)  # fmt: skip
def test_spellings(spelling, ns):
    """Ordinary spellings, in any case, with either letter that looks like a mu."""
    assert unit_ns(spelling) == ns


@pytest.mark.parametrize("word", ["", "h", "min", "ticks", "m s"])
def test_other_units_are_refused(word):
    """What is no unit of a timing log is named, with those that are."""
    with pytest.raises(UsageError, match="use one of ns, us, ms, s"):
        unit_ns(word)


@pytest.mark.parametrize(
    ("header", "stem", "unit"),
    [
        ("start_us", "start", "us"),
        ("start us", "start", "us"),
        ("start-ms", "start", "ms"),
        ("Loop time [ms]", "Loop time", "ms"),
        ("time(s)", "time", "s"),
        ("time (µs)", "time", "us"),
        ("durationMs", "duration", "ms"),
        ("t.ns", "t", "ns"),
        ("timeSeconds", "time", "s"),
        ("micros", "micros", "us"),
        ("millis", "millis", "ms"),
        ("s", "s", None),
        ("us", "us", None),
        ("status", "status", None),
        ("items", "items", None),
        ("radius_m", "radius_m", None),
        ("start [deg]", "start [deg]", None),
        ("", "", None),
    ],
)
def test_headers(header, stem, unit):
    """The unit is split off where it stands apart, and only there."""
    assert split_unit(header) == (stem, unit)


def test_units_are_powers_of_a_thousand():
    """Each unit is a thousand of the one before it."""
    assert list(UNITS.values()) == [1000**k for k in range(4)]


@pytest.mark.parametrize(
    ("words", "unit"),
    [("microssegundos microsegundos microsecondes Mikrosekunden microsecondi mikrosekundy "
      "microseconden micro-segundos", "us"),
     ("milissegundos milisegundos millisecondes Millisekunden millisecondi milisekundy "
      "milliseconden mil\xedsegundos", "ms"),
     ("segundos secondes Sekunden secondi sekundy seconden", "s"),
     ("sections sector secure segment Sekt", None)],
)  # fmt: skip
def test_units_are_words_in_other_languages(words, unit):
    """With and without accents, and no words that begin like them."""
    assert [word_unit(word) for word in words.split()] == [unit] * len(words.split())


@pytest.mark.parametrize(
    "word", ["segundo", "secondo", "seconde", "sekunde", "sekund", "Sek", "seg", "segs"]
)
def test_words_that_are_short_for_other_things_are_units_in_remarks_only(word):
    """In a row of numbers they may be the name of the next one."""
    assert word_unit(word) is None
    assert spoken_unit(word) == "s"
