"""What ordinary words in the names of calls say of them, where nobody states it."""

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from looptime.length_groups import without_groups
from looptime.schema import CallName

__all__ = [
    "NAME_PART",
    "guess_name",
    "like",
    "of_device",
    "of_lock",
    "of_locks",
    "says_done",
    "says_wait",
    "waits_only",
    "words_in",
    "words_of",
]

#: Waiting in other languages.
_WAITS_ABROAD = "warten wartezeit attente attesa espera wachten wachttijd"

# Ordinary words in call names, by kind; the first kind with a hit wins.
_WORDS: tuple[tuple[str, str], ...] = (
    (
        "pacing",
        "pace pacing pacer tick idle idled sleep slept sleeping asleep delay throttle ruhe ruhezeit"
        " leerlauf repos reposo riposo descanso",
    ),
    ("telemetry", "telemetry log logger logging dashboard publish print console report"),
    (
        "wait",
        "wait waits waited waiting lock mutex acquire join await awaiting block blocked "
        + _WAITS_ABROAD,
    ),
    (
        "actuator write",
        "write set command motor motors servo servos actuator actuators output apply escrita"
        " escritura ecriture scrittura schreiben schrijven",
    ),
    (
        "sensor read",
        "read get poll sample gyro imu enc encoder encoders sensor sensors range distance camera"
        " cam lidar radar sonar tof compass fetch measure heading input inputs leitura"
        " lectura lecture lettura lesen lezen",
    ),
    (
        "compute",
        "compute calc calculate update solve estimate filter control controller plan odometry"
        " kinematics localize localise pid",
    ),
)
_SPLIT = re.compile(r"[^A-Za-z]+|(?<=[a-z])(?=[A-Z])")

#: A token, and what joins it to the next: points, slashes, underlines, digits, a capital letter.
NAME_PART = re.compile(r"[./_ -]+|\d+|[A-Z]?[a-z]+|[A-Z]+(?![a-z])|[^\sA-Za-z0-9./_-]+")
#: Words for where one of several like devices sits.
_PLACES = frozenset(
    ("front", "rear", "back", "left", "right", "top", "bottom", "upper", "lower", "inner", "outer",
     "fl", "fr", "rl", "rr", "bl", "br", "lf", "rf", "lr", "lb", "rb")
)  # fmt: skip
_AGAIN = re.compile(r"#([\s_-]*#)+")

#: Words for a lock, for standing before it, and for having it.
_LOCKS = {"lock", "mutex", "semaphore"}
_ASKS = {"wait", "waits", "waiting", "waited", "acquire", "acquiring", "take", "taking", "enter"}
_HAS = {"held", "hold", "holds", "holding", "owned", "locked"}
#: Those that say so without a word for a lock: a gripper holds a tray, and waits.
_HAD = {"held", "owned", "locked"}


def words_in(name: str) -> list[str]:
    """The words of a name in lower case and in their order, however they are joined.

    Examples
    --------
    >>> words_in("frontLeft.steerRead_2")
    ['front', 'left', 'steer', 'read']
    """
    return [word.lower() for word in _SPLIT.split(name) if word]


def words_of(name: str) -> set[str]:
    """The same words, in no order and each once.

    Examples
    --------
    >>> sorted(words_of("frontLeft.steerRead_2"))
    ['front', 'left', 'read', 'steer']
    """
    return set(words_in(name))


def like(name: str) -> str:
    """A name with ``#`` for numbers and places.

    Examples
    --------
    >>> like("wheel2"), like("front_left drive")
    ('wheel#', '# drive')
    """
    tokens = ["#" if t.isdigit() or t.lower() in _PLACES else t for t in NAME_PART.findall(name)]
    return _AGAIN.sub("#", "".join(tokens))


#: Words for what a call gets something from, or over, besides those of a sensor read.
_DEVICES = {
    "bus", "can", "spi", "uart", "usb", "serial", "port", "device", "driver", "rx", "recv",
    "receive", "received", "receiver", "radar", "compass", "magnetometer", "accel",
    "accelerometer", "gps", "gnss", "tof", "scan", "scanner", "scale", "image", "vision", "frame",
    "frames", "packet", "message", "socket", "radio", "data", "cam", "depth",
}  # fmt: skip


def of_device(name: str) -> bool:
    """Whether a name says that its call has to do with a device, as a read of it has.

    Examples
    --------
    >>> of_device("gyro.wait"), of_device("can_rx"), of_device("rest"), of_device("wait_next")
    (True, True, False, False)
    """
    words = words_of(name)
    return not words.isdisjoint(_DEVICES | _READS | set(dict(_WORDS)["sensor read"].split()))


#: Words for waiting, whatever for; and those that alone, or beside a word for the loop, mean a
#: sleep of its own: a "gc pause" is none.
_WAITS = frozenset((
    "wait", "waits", "waiting", "waited", "await", "awaiting", *_WAITS_ABROAD.split(),
))  # fmt: skip
_PAUSES = frozenset(("pause", "paused", "pausing"))
_LOOPS = frozenset(("loop", "main", "cycle", "end", "the", "of", "before", "after", "next"))


#: Words for what is done, whatever else they stand beside: none of them names a value.
_DONE = frozenset((
    "read", "write", "send", "poll", "fetch", "update", "compute", "calc", "calculate", "solve",
    "publish", "flush", "lesen", "schreiben", "senden", "berechnen", "leitura", "escrita",
    "lectura", "escritura", "lecture", "ecriture", "lettura", "scrittura", "lezen", "schrijven",
))  # fmt: skip


def says_done(name: str) -> bool:
    """Whether a name says that something is done, so that its length may be meant.

    Examples
    --------
    >>> says_done("imu_read"), says_done("escrita_motores"), says_done("imu"), says_done("motors")
    (True, True, False, False)
    """
    return not words_of(name).isdisjoint(_DONE)


def says_wait(name: str) -> bool:
    """Whether a name says that its call waits, whatever for.

    Examples
    --------
    >>> says_wait("imu.wait_sample"), says_wait("awaitFrame"), says_wait("imu.read")
    (True, True, False)
    """
    return not words_of(name).isdisjoint(_WAITS)


def waits_only(name: str) -> bool:
    """Whether a name says that its call waits and, but for the loop, not for what.

    Examples
    --------
    >>> waits_only("wait"), waits_only("attesa"), waits_only("wait_next"), waits_only("imu.wait")
    (True, True, True, False)
    """
    words = words_of(name)
    return bool(words & _WAITS) and words <= _WAITS | _LOOPS | {"ms", "us", "s", "time"}


def of_lock(name: str) -> str:
    """Whether a row is a wait for a lock, or the time that it is held, by its name.

    Examples
    --------
    >>> of_lock("bus.lock.wait"), of_lock("busMutex"), of_lock("lock_held"), of_lock("gripper.lock")
    ('wait', 'wait', 'held', '')
    """
    words = words_of(name)
    if not words & _LOCKS:
        return ""
    if words & _HAS:
        return "held"
    return "wait" if words & (_ASKS | _LOCKS - {"lock"}) else ""


def of_locks(names: Sequence[str]) -> list[str]:
    """The same of all names of a log: of two that differ in this alone, none need say "lock".

    Examples
    --------
    >>> of_locks(["bus wait", "bus held", "arm.wait", "arm.hold"])
    ['wait', 'held', '', '']
    """
    said = [of_lock(name) for name in names]
    parts = [tuple(words_in(name)) for name in names]
    found: dict[tuple[str, ...], dict[str, list[int]]] = {}
    for place, words in enumerate(parts):
        for what, those in (("wait", _ASKS), ("held", _HAD)):
            if not said[place] and not those.isdisjoint(words):
                rest = tuple(word for word in words if word not in those)
                found.setdefault(rest, {}).setdefault(what, []).append(place)
    for both in found.values():
        if len(both) == 2:
            for what, places in both.items():
                for place in places:
                    said[place] = what
    return said


def guess_name(logged: CallName) -> CallName:
    """Fill in the kind, subsystem and device that a name's ordinary words suggest.

    What the log or the project file has said stays. The subsystem is the part before the first
    dot or slash, where there is one; a sensor or actuator's device likewise; a group that is named
    for the lengths in it is neither. Verbs outrank nouns: ``motor.read`` is a sensor read.

    Examples
    --------
    >>> guess_name(CallName("drive.encoder.read")).kind
    'sensor read'
    >>> guess_name(CallName("motor.left.write")).kind
    'actuator write'
    >>> guess_name(CallName("sendTelemetry")).kind, guess_name(CallName("drive_sent")).kind
    ('telemetry', 'actuator write')
    >>> guess_name(CallName("heading.estimate")).kind, guess_name(CallName("headingInput")).kind
    ('compute', 'sensor read')
    >>> guess_name(CallName("timing.imu")).device, guess_name(CallName("timing.arm.imu")).device
    (None, 'arm')
    >>> guess_name(CallName("escrita_motores")).kind
    'actuator write'
    >>> guess_name(CallName("zzz")).kind, guess_name(CallName("lockwait")).kind
    ('other', 'wait')
    """
    words = words_in(logged.name)
    inner = without_groups(logged.name)
    known: dict[str, Any] = {
        "subsystem": logged.subsystem or _before_dot(inner),
    }
    if logged.kind_from in ("log", "project"):
        return replace(logged, **known)
    held = words[-1:] == ["held"] or of_lock(logged.name) == "held"
    kind = "other" if held else _guess_kind(words)
    if kind in ("sensor read", "actuator write") and logged.device is None:
        known["device"] = _before_last_dot(inner)
    return replace(logged, kind=kind, kind_from="guessed", **known)


_TELEMETRY = frozenset(dict(_WORDS)["telemetry"].split())
#: Verbs at the end of a name, as done or as to be done, that say what a call does.
_READS = {
    "read", "get", "poll", "sample", "fetch", "measure", "polled", "sampled", "fetched",
    "measured", "lesen", "gelesen", "messen", "gemessen", "leido",
}  # fmt: skip
_COMPUTES = {"compute", "calc", "calculate", "solve", "estimate", "filter"}
_WRITES = {"write", "set", "apply", "command"}
_SENT = {
    "sent", "send", "written", "wrote", "applied", "commanded", "senden", "gesendet", "schreiben",
    "geschrieben", "setzen", "gesetzt", "enviado", "escrito",
}  # fmt: skip
#: What is sent elsewhere than to actuators, or written to be kept.
_ELSEWHERE = _TELEMETRY | {
    "status", "state", "message", "msg", "packet", "packets", "frame", "image", "video", "data",
    "network", "net", "radio", "wifi", "udp", "tcp", "http", "mqtt", "socket", "server", "client",
    "heartbeat", "file", "disk", "sd", "flash", "csv", "eeprom", "datei", "daten", "camera",
}  # fmt: skip


def _guess_kind(words: list[str]) -> str:
    verb = words[-1] if words else ""
    if verb in _READS:
        return "sensor read"
    told = not _TELEMETRY.isdisjoint(words)  # a line of telemetry is written, too
    if verb in _WRITES and not told:
        return "actuator write"
    if verb in _COMPUTES and not told:
        return "compute"
    if verb in _SENT and len(words) > 1 and _ELSEWHERE.isdisjoint(words):
        return "actuator write"
    if not _PAUSES.isdisjoint(words) and set(words) <= _PAUSES | _LOOPS:
        return "pacing"
    named = {*words, *("wait" for word in words if word.endswith("wait"))}  # "lockwait"
    for kind, hints in _WORDS:
        if not set(hints.split()).isdisjoint(named):
            return kind
    return "other"


def _before_dot(name: str) -> str | None:
    head, dot, _ = re.sub(r"[/:]+", ".", name).partition(".")
    return head if dot and head else None


def _before_last_dot(name: str) -> str | None:
    head, dot, _ = re.sub(r"[/:]+", ".", name).rpartition(".")
    return head if dot and head else None
