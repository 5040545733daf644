"""Names of groups whose members are lengths of time: the key above, a first part of the name."""

import re
from functools import lru_cache

from looptime.units import split_unit, word_unit

__all__ = ["LENGTHS", "called", "length_of", "of_lengths", "without_groups"]

#: Words of lengths of time, in the names of columns and of groups.
LENGTHS = frozenset((
    "time", "times", "timing", "timings", "duration", "durations", "dur", "durs", "took", "taken",
    "elapsed", "spent", "span", "spans", "runtime", "runtimes", "dauer", "dauern", "zeit", "zeiten",
    "laufzeit", "laufzeiten", "tiempo", "tiempos", "duracion", "duree", "durees",
))  # fmt: skip
#: Words that say of whom they are and nothing of the members.
_OF_ALL = frozenset((
    "loop", "loops", "cycle", "call", "calls", "section", "sections", "task", "tasks", "part",
    "parts", "stage", "stages", "step", "steps", "thread", "last", "mean", "avg", "code", "main",
    "control", "the", "of", "per", "each", "in", "by",
))  # fmt: skip
#: Units that may be the name of a group; an "s" alone says too little.
_UNITS = re.compile(r"[num]s(?:ecs?)?|(?:nano|micro|milli)?sec(?:ond)?s?|micros|millis|nanos|µs|μs")
_JOINT = re.compile(r"[./]|::|\s>\s")
#: What stands in brackets behind a name, and a letter, as in a name that is more than a number.
_BRACKETED, _NAMED = re.compile(r"[\[(].*$"), re.compile(r"[^\W\d_]")
_SPLIT = re.compile(r"[^A-Za-zÀ-ÿ]+|(?<=[a-z0-9])(?=[A-Z])")


@lru_cache(maxsize=1 << 16)
def of_lengths(name: str) -> tuple[str, str | None] | None:
    """What a member of a group of lengths is called in it, and the group's unit, if it says one.

    None for all other names. Parts of a name are parted by points, slashes or ``::``.

    Examples
    --------
    >>> of_lengths("timing.imu"), of_lengths("loop/durations_ms/bus"), of_lengths("us.imu")
    (('imu', None), ('bus', 'ms'), ('imu', 'us'))
    >>> of_lengths("sensor_times.gyro"), of_lengths("imu.heading"), of_lengths("speed m/s")
    (('gyro', None), None, None)
    >>> of_lengths("calls_ms.imu"), of_lengths("loop.imu")
    (('imu', 'ms'), None)
    """
    at = 0
    for joint in _JOINT.finditer(_BRACKETED.sub("", name)):
        found, at = _unit_of_group(name[at : joint.start()].strip()), joint.end()
        if found is None:
            continue
        member = name[at:].strip()
        alone = word_unit(member) is not None and split_unit(member)[1] is None
        if _NAMED.search(member) and not alone:
            return member, found or None
    return None


def _unit_of_group(name: str) -> str | None:
    """The unit in the name of a group of lengths, empty where it says none; None for others."""
    if _UNITS.fullmatch(name.lower()):
        return word_unit(name)
    stem, unit = split_unit(name)
    words = [word.lower() for word in _SPLIT.split(stem) if word]
    if words and (LENGTHS & {words[0], words[-1]} or (unit and set(words) <= _OF_ALL)):
        return unit or ""
    return None


def without_groups(name: str) -> str:
    """A name without the groups in front that say no more than that it is a length.

    Examples
    --------
    >>> without_groups("timing.sensors.imu"), without_groups("loop.call_times_us.imu.read")
    ('sensors.imu', 'imu.read')
    >>> without_groups("arm_times.lift"), without_groups("drive.read")
    ('arm_times.lift', 'drive.read')
    """
    member = of_lengths(name)
    if member is None:
        return name
    above = name[: len(name) - len(member[0])]
    words = {word.lower() for piece in _JOINT.split(above) if not _UNITS.fullmatch(piece.lower())
             for word in _SPLIT.split(split_unit(piece)[0]) if word}  # fmt: skip
    return member[0] if words <= LENGTHS | _OF_ALL else name


def length_of(name: str) -> tuple[str, str | None] | None:
    """Of what a column holds the length, where the last part of its name says that it is one.

    Groups in front that hold all calls are left out. None for all other names.

    Examples
    --------
    >>> length_of("calls.imu.dur"), length_of("arm.lift.took_us"), length_of("sections/imu/ms")
    (('imu', None), ('arm.lift', 'us'), ('imu', 'ms'))
    >>> length_of("calls.imu.count"), length_of("loop.dur"), length_of("duration")
    (None, None, None)
    """
    *of, last = _JOINT.split(name)
    alone = _UNITS.fullmatch(last.lower())
    stem, unit = ("", word_unit(last)) if alone else split_unit(last)
    if not {word.lower() for word in _SPLIT.split(stem) if word} <= LENGTHS:
        return None
    while of and of[0].lower() in _OF_ALL | LENGTHS:
        of = of[1:]
    return (".".join(of), unit) if of else None


def called(name: str) -> str:
    """What a call is called whose length stands in a column: no unit is left in its groups.

    Examples
    --------
    >>> called("calls_ms.imu.read"), called("sensors_ms/imu"), called("drive.read")
    ('imu.read', 'sensors/imu', 'drive.read')
    """
    name = without_groups(name)
    at, made = 0, ""
    for joint in _JOINT.finditer(_BRACKETED.sub("", name)):
        made += split_unit(name[at : joint.start()])[0] + joint[0]
        at = joint.end()
    return made + name[at:]
