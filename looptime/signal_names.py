"""Headings and turn rates by the names that logs give them, with their units."""

import math
import re
from functools import lru_cache

from looptime.records import dataclass
from looptime.units import NS_PER_MS, UNITS, split_unit, without_accents

__all__ = [
    "AGE",
    "ANGLE_UNITS",
    "ASSUMED",
    "HEADING_WORDS",
    "OTHER_UNITS",
    "READINGS",
    "SAMPLE_WORDS",
    "TARGET_WORDS",
    "TURNS",
    "Quantity",
    "assumed",
    "kind_by_unit",
    "known_as",
    "names_reading",
    "of_another_unit",
    "of_battery",
    "quantity_of",
    "words_of",
]

#: Units of what is no length of time, as names end in them.
OTHER_UNITS = frozenset((
    "deg", "degrees", "rad", "rads", "m", "mm", "cm", "km", "v", "mv", "a", "ma", "c", "hz", "khz",
    "pct", "percent", "rpm", "mps", "nm", "n", "w", "kg", "g", "px", "dps", "fps", "mhz", "ppm",
    "kb", "mb", "pa", "bar", "lux", "counts", "ticks",
))  # fmt: skip

#: Words of what is read and is surely no length of time: volts, current, temperature, angle and
#: speed, in the languages that logs are written in, without accents.
READINGS = frozenset((
    "volt", "volts", "voltage", "vbat", "battery", "batt", "spannung", "akku", "accu", "batterie",
    "bateria", "batteria", "batterij", "tension", "tensione", "tensao", "voltaje", "spanning",
    "napiecie", "amp", "amps", "ampere", "current", "strom", "courant", "corriente", "corrente",
    "stroom", "prad", "temp", "temperature", "temperatur", "temperatura", "temperatuur",
    "heading", "yaw", "pitch", "roll", "angle", "winkel", "drehwinkel", "kurs", "angulo",
    "angolo", "hoek", "kat", "speed", "velocity", "geschwindigkeit", "vitesse", "velocidad",
    "velocidade", "velocita", "snelheid", "predkosc", "rpm", "bytes", "packets",
))  # fmt: skip
#: Words of what turns, whose raw position goes round at a power of two as a timer does.
TURNS = frozenset((
    "enc", "encoder", "encoders", "odo", "odom", "odometer", "wheel", "wheels", "turret", "spin",
    "angle", "heading", "yaw", "azimuth", "rotation", "rot", "revs", "turns", "steer", "module",
    "shaft", "axle", "rad", "drehgeber", "winkel", "codeur", "roue", "rueda", "ruota", "wiel",
))  # fmt: skip
#: How the name of a signal ends that holds a reading's age at the loop's time.
AGE = "_age_ms"
#: Words of a sample's own stamp that say no more than that it is one.
SAMPLE_WORDS = frozenset(("sample", "sampled", "measured", "measurement", "captured", "capture",
                          "acquired", "latched"))  # fmt: skip
#: Words of what a controller's measured value is to follow.
TARGET_WORDS = frozenset((
    "aim", "asked", "cmd", "cmded", "command", "commanded", "demand", "demanded", "des", "desired",
    "dmd", "goal", "intended", "ref", "reference", "req", "request", "requested", "set", "setp",
    "setpoint", "setpt", "soll", "sollwert", "sp", "target", "tgt", "want", "wanted", "wish",
))  # fmt: skip
#: Words that a heading read usually has in its name.
HEADING_WORDS = ("gyro", "imu", "heading", "yaw", "compass", "orientation", "attitude")
#: How it is said of a heading or turn rate that nobody says its unit.
ASSUMED = "states no unit of a"
#: Battery voltages, which the checks ask for, by their spellings.
_BATTERY = ("battery", "batteryv", "voltage", "batteryvoltage")

#: Degrees, or degrees a second, in one of each unit that a project file may state.
ANGLE_UNITS = {"deg": 1.0, "rad": math.degrees(1.0), "rev": 360.0, "deg/s": 1.0,
               "rad/s": math.degrees(1.0), "rev/s": 360.0}  # fmt: skip
_ANGLES = {"deg": r"°|deg(?:ree)?s?|grad", "rad": r"rad(?:ian)?s?",
           "rev": r"revs?|revolutions|rots?|rotations|turns"}  # fmt: skip
_THOUSANDS = {"": 1.0, "m": 1e-3, "c": 1e-2}
_A_SECOND = r"(?:[\s_]*(?:p|per|/)[\s_]*|[\s_*·]+)(?:s|sek|secs?|seconds?|sekunde)(?:\s*\^?-1)?"
_UNIT = re.compile(
    rf"(?:^|(?<=[\s_.\-,(\[]))(?P<small>[mc]?)(?:(?P<deg>{_ANGLES['deg']})|(?P<rad>{_ANGLES['rad']})"
    rf"|(?P<rev>{_ANGLES['rev']}))(?P<rate>{_A_SECOND})?[)\]]?$"
)
_SHORT = re.compile(r"(?:^|(?<=[\s_.\-,(\[]))(?P<small>[mc]?)(?P<unit>[dr])ps[)\]]?$")
#: A unit of length or angle at the end of a name, a second's or not, and one of speed.
_WAY = re.compile(
    rf"(?:^|(?<=[\s_.\-,(\[]))(?:[mck]?m|[mc]?(?:{'|'.join(_ANGLES.values())}))"
    rf"(?P<rate>{_A_SECOND})?[)\]]?$"
)
_OF_SPEED = re.compile(r"(?:^|(?<=[\s_.\-,(\[]))(?:rpm|[mc]?[dmr]ps)[)\]]?$")
_WORDS = re.compile(r"[^a-zà-öø-ÿ]+")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
#: Words of the robot's heading; of those behind, only with a unit.
_HEADING = {
    "heading",
    "compass",
    "yaw",
    "hdg",
    "kurs",
    "kurswinkel",
    "gierwinkel",
    "azimuth",
    "azimut",
}
_HEADING_IN = {"course", "bearing", "cap", "rumbo", "rotta", "theta", "orientation", "psi",
               "gyro", "gier", "rotation", "ausrichtung"}  # fmt: skip
_RATE = {"omega", "turnrate", "yawrate", "gyrorate", "drehrate", "gierrate", "yawvel",
         "winkelgeschwindigkeit", "drehgeschwindigkeit", "giergeschwindigkeit"}  # fmt: skip
_ANGLE_ALONE = ("angle", "gyroangle", "gyro angle", "gyro_angle")
#: Words that make a rate of `_TURNING`.
_SPEED = {"rate", "velocity", "vel", "speed", "geschwindigkeit", "dot"}
_TURNING = {"heading", "yaw", "turn", "turning", "gyro", "angular", "rotation", "rot", "gier",
            "dreh"}  # fmt: skip
#: Words of a rate where its unit says that it is one.
_RATE_IN = {"gyro", "gyroz", "gz", "wz", "w", "imu", "turn", "turning", "rotation", "gier", "dreh",
            "kurs", "theta", "vel", "velocity", "rate", "angular"}  # fmt: skip
_BESIDE = {"z", "robot", "chassis", "base", "imu", "sensor", "raw", "actual", "measured", "ist",
           "filtered", "angle", "winkel", "odom", "pose", "now", "log", "fused", "axis", "in",
           "of", "the"}  # fmt: skip


@dataclass(frozen=True)
class Quantity:
    """What a name says of the values that stand under it."""

    name: str  #: ``heading_deg`` or ``turn_rate_deg_s``
    unit: str | None  #: As it would be written: ``rad/s``, ``mdeg``; None where nobody says it
    factor: float  #: Degrees (a second) in one of its unit

    @property
    def word(self) -> str:
        """The quantity in words."""
        return "heading" if self.name == "heading_deg" else "turn rate"


def assumed(header: str, word: str, unit: str) -> str:
    """What is said of a heading or turn rate whose unit neither its name nor its values tell.

    Examples
    --------
    >>> assumed("omega", "turn rate", "deg/s")
    "'omega' states no unit of a turn rate: taken as deg/s; omega_rad_s would say that it is rad/s"
    """
    other = unit.replace("deg", "rad")
    name = f"{header}_{other.replace('/', '_')}"
    return f"{header!r} {ASSUMED} {word}: taken as {unit}; {name} would say that it is {other}"


@lru_cache(maxsize=4096)
def quantity_of(header: str) -> Quantity | None:
    """The robot's heading or turn rate, if a name says that it is one; None otherwise.

    A name that says no unit is in degrees. One of another axis or part of the robot, of a target
    or of a length of time is none.

    Parameters
    ----------
    header : str
        As it stands in the log.

    Examples
    --------
    >>> found = quantity_of("gyro_z_rad_s")
    >>> found.name, found.unit, round(found.factor, 4)
    ('turn_rate_deg_s', 'rad/s', 57.2958)
    >>> [quantity_of(text).name for text in ("Kurs [deg]", "yaw", "Drehrate (°/s)", "omega")]
    ['heading_deg', 'heading_deg', 'turn_rate_deg_s', 'turn_rate_deg_s']
    >>> quantity_of("gyro_ms"), quantity_of("gyro_x_dps"), quantity_of("target_heading")
    (None, None, None)
    >>> quantity_of("yaw_rotations").factor, quantity_of("turn rate [rev/s]").unit
    (360.0, 'rev/s')
    >>> quantity_of("heading [rot]").factor, quantity_of("compass_heading_deg").name
    (360.0, 'heading_deg')
    """
    text = " ".join(_CAMEL.sub(" ", header.strip()).lower().split())
    unit, rate, factor, stem = _with_unit(text)
    if unit is None and split_unit(header)[1] is not None:
        return None
    words = [word for word in _WORDS.split(stem) if word]
    rest = set(words) - _BESIDE
    speaks = bool(rest & _RATE or (rest & _SPEED and rest & _TURNING))
    if (speaks and rest <= _RATE | _SPEED | _TURNING) or (
        rate and words and rest <= _RATE_IN | _HEADING | _RATE | _SPEED
    ):
        unit = unit if unit is None or rate else f"{unit}/s"
        return Quantity("turn_rate_deg_s", unit, factor)
    sure = bool(rest & _HEADING) and rest <= _HEADING | {"gyro"}
    sure = sure and rest != {"compass"}  # alone it may be one of its raw axes
    sure = sure or (unit is not None and bool(rest) and rest <= _HEADING | _HEADING_IN)
    if stem in _ANGLE_ALONE or (sure and not rate):
        return Quantity("heading_deg", unit, factor)
    return None


def kind_by_unit(name: str) -> str | None:
    """``speed`` or ``position`` by the unit at the end of a name; None where it says neither.

    Examples
    --------
    >>> [kind_by_unit(name) for name in ("speed_m_s", "arm [deg/s]", "wheel_rpm", "tilt_rad_s")]
    ['speed', 'speed', 'speed', 'speed']
    >>> [kind_by_unit(name) for name in ("lift_m", "arm (deg)", "tilt_rad", "wheel_rotations")]
    ['position', 'position', 'position', 'position']
    >>> [kind_by_unit(name) for name in ("battery_v", "arm", "age_ms", "turn_rate_deg")]
    [None, None, None, None]
    """
    text = " ".join(_CAMEL.sub(" ", name.strip()).lower().split())
    if _OF_SPEED.search(text):
        return "speed"
    found = _WAY.search(text)
    if found is None:
        return None
    if found["rate"]:
        return "speed"
    return None if set(words_of(name)) & (_SPEED | _RATE) else "position"


def words_of(name: str) -> list[str]:
    """The words of a name in lower case, without its digits and unit.

    Examples
    --------
    >>> words_of("rangeFront2_mm"), words_of("target/wheel")
    (['range', 'front', 'mm'], ['target', 'wheel'])
    """
    return [word for word in _WORDS.split(_CAMEL.sub(" ", split_unit(name)[0]).lower()) if word]


def of_another_unit(header: str) -> bool:
    """Whether a name is that of an angle, of a voltage, or ends in a unit that is none of time.

    One letter says too little: ``motor_a`` may be the first of the motors.

    Examples
    --------
    >>> [of_another_unit(h) for h in ("battery_v", "lift_mm", "yaw", "motor_a", "imu_us", "mm")]
    [True, True, True, False, False, False]
    """
    words = words_of(header)
    last = words[-1] if len(words) > 1 else ""
    ends = len(last) > 1 and last in OTHER_UNITS
    return ends or of_battery(header) or quantity_of(header) is not None


def names_reading(header: str) -> bool:
    r"""Whether a name ends in a word of what is surely read: ``corrente``, ``Akku``.

    Examples
    --------
    >>> [names_reading(h) for h in ("corrente", "Akku 1", "tens\xe3o", "temp_read", "steer")]
    [True, True, True, False, False]
    """
    return READINGS.intersection(words_of(without_accents(header))[-1:]) != set()


def of_battery(name: str) -> bool:
    """Whether a name is that of a battery's voltage.

    Examples
    --------
    >>> of_battery("vbat"), of_battery("Battery [V]"), of_battery("batch")
    (True, True, False)
    """
    return re.search(r"batt|vbat|volt", name.lower()) is not None


def _with_unit(text: str) -> tuple[str | None, bool, float, str]:
    """Unit of an angle at the end of a name, whether it is a second's, its size, and the rest."""
    found = _UNIT.search(text)
    if found is not None:
        word, rate = next(unit for unit in _ANGLES if found[unit]), bool(found["rate"])
    else:
        found = _SHORT.search(text)
        if found is None:
            return None, False, 1.0, text
        word, rate = ("deg" if found["unit"] == "d" else "rad"), True
    unit = found["small"] + word + ("/s" if rate else "")
    return unit, rate, _THOUSANDS[found["small"]] * ANGLE_UNITS[word], text[: found.start()]


def known_as(header: str) -> tuple[str, float]:
    """The name by which a signal is known in a run, and how many of its unit one of the log's is.

    Examples
    --------
    >>> known_as("Battery [V]"), known_as("arm"), known_as("heading")
    (('battery_v', 1.0), ('arm', 1.0), ('heading_deg', 1.0))
    >>> known_as("gyro sample age (us)"), known_as("imuAgeMs"), known_as("age_ms")
    (('gyro_sample_age_ms', 0.001), ('imu_age_ms', 1.0), ('age_ms', 1.0))
    """
    found = quantity_of(header)
    if found is not None:
        return found.name, found.factor
    stem, unit = split_unit(header)
    words = [word for word in _WORDS.split(_CAMEL.sub(" ", stem).lower()) if word]
    if unit is not None and len(words) > 1 and words[-1] == "age":
        return "_".join(words[:-1]) + AGE, UNITS[unit] / NS_PER_MS
    squeezed = re.sub(r"[^a-z0-9]+", "", header.lower())
    return ("battery_v" if squeezed in _BATTERY else header), 1.0
