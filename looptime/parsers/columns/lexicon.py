"""What a column header says in ordinary words: its words, and what kind of quantity they name."""

import re
from functools import lru_cache

from looptime.length_groups import LENGTHS, of_lengths
from looptime.signal_names import OTHER_UNITS, READINGS, quantity_of
from looptime.units import split_unit, without_accents

__all__ = [
    "CALL_NAMES",
    "CLOCKS", "CLOCKS_OR_LENGTHS", "COUNTS", "LOOP_NUMBERS", "MEANINGS", "PHASES", "THREADS",
    "aims_at", "bare_name", "may_be_part", "meaning",
    "names_count", "names_setting", "of_a_clock", "of_an_instant", "tokens",
]  # fmt: skip

#: What a header can say of its column.
MEANINGS = (
    "clock", "whole", "period", "busy", "latency", "deviation", "setting", "duration", "signal",
    "counter", "group", "bare",
)  # fmt: skip

#: Headers of a clock, of a loop number, of a phase and of a thread, in order of preference.
CLOCKS = (
    "time", "timestamp", "t", "ts", "stamp", "clock", "systemtime", "devicetime", "loopstart",
    "start", "starttime", "elapsed", "elapsedtime", "uptime", "runtime", "epoch", "now",
    "datetime", "date", "micros", "millis", "nanos",
)  # fmt: skip
#: The same in other languages, in which they may stand for a length as well.
CLOCKS_OR_LENGTHS = ("zeit", "tiempo", "temps", "tempo", "tijd", "czas")
#: Headers of the number of the loop, whatever else a row holds.
LOOP_NUMBERS = (
    "loop", "loopcount", "iteration", "iter", "cycle",  # "cyclecount" counts those of a processor
    *(loop + number for loop in ("loop", "cycle", "iteration", "iter")
      for number in ("no", "nr", "num", "number", "index", "idx", "id", "seq")),
)  # fmt: skip
COUNTS = (*LOOP_NUMBERS, "pass", "loops", "iterations", "cycles", "loopcounter")
PHASES = ("phase", "mode", "state")
#: Headers of the column whose words name calls.
CALL_NAMES = (
    "section", "name", "call", "callname", "part", "stage", "function", "func", "operation", "op",
    "label", "span", "task", "event", "what", "key", "subsystem",
)  # fmt: skip
THREADS = (
    "thread", "threadname", "threadid", "tid", "who", "thr", "thrd", "thrname", "thrid", "threadno",
    "threadnr", "threadnum", "threadnumber", "threadidx", "threadindex", "worker",
)  # fmt: skip

_SPLIT = re.compile(r"[^A-Za-z0-9]+|(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
#: A call of something's method.
_METHOD = re.compile(r"\.(?:read|write|get|set|update|send|poll|fetch)(?=[A-Z_]|$)|\(\)$")
#: Words that begin or end the name of what is done, whatever it is done to.
_DONE = {"read", "reads", "write", "send", "poll", "fetch"}
_WHOLE = {
    "loop", "loops", "cycle", "frame", "iteration", "iter", "pass", "main", "mainloop", "overall",
    "whole", "total", "totals", "all", "sum", "full", "entire", "everything", "tick",
    "superloop", "scan", "totale", "totaal", "summe", "gesamt", "somma", "somme", "suma", "soma",
}  # fmt: skip
_PERIOD = {"period", "periods", "interval", "dt", "delta", "timestep", "step", "spacing", "tstep",
           "periode", "periodo", "zyklus", "zykluszeit", "zyklusdauer", "takt", "taktzeit",
           "schleifenzeit", "ciclo", "intervall", "intervalle", "intervalo", "intervallo",
           "abstand"}  # fmt: skip
_BUSY = {
    "busy", "work", "working", "exec", "execution", "execute", "active", "processing", "process",
    "body", "cpu", "runtime", "computation", "compute", "arbeit", "arbeitszeit", "werk", "travail",
    "lavoro", "trabajo", "trabalho",
}  # fmt: skip
_LATENCY = {
    "latency", "age", "staleness", "lag", "delay", "roundtrip", "rtt", "ping", "e2e", "response",
    "lateness", "stale", "latenz", "latencia", "latence", "latenza", "verzogerung", "verzoegerung",
    "retraso", "retard", "ritardo", "atraso",
}  # fmt: skip
_DEVIATION = {
    "jitter", "error", "err", "deviation", "dev", "diff", "difference", "offset", "skew", "drift",
    "overshoot", "slip", "overrun", "slack", "margin", "headroom", "remaining", "spare", "reserve",
    "marge", "reste", "holgura", "margen", "margine", "speling", "margem", "folga",
    "restzeit", "sobra", "avanzo", "spielraum", "overschot",
    "abweichung", "schwankung", "versatz", "differenz", "ueberschreitung", "uberschreitung",
    "desviacion", "desfase", "diferencia", "desvio", "diferenca", "ecart", "ecarts", "decalage",
    "gigue", "erreur", "deviazione", "scostamento", "scarto", "differenza", "errore", "afwijking",
}  # fmt: skip
#: Words of what is aimed at, be it a length or a thing that is looked for.
_AIM = {
    "target", "goal", "ziel", "cible", "objectif", "objetivo", "meta", "alvo", "obiettivo", "doel",
}  # fmt: skip
_SETTING = _AIM | {
    "budget", "setpoint", "nominal", "deadline", "limit", "timeout", "desired",
    "expected", "requested", "reference", "max", "min", "resolution",
    "soll", "sollwert", "sollzeit", "solltakt", "sollperiode", "zielwert", "zielzeit", "zieltakt",
    "vorgabe", "grenze", "grenzwert", "frist", "erwartet", "consigne", "echeance", "limite",
    "prevu", "consigna", "plazo", "esperado", "prazo", "scadenza", "previsto", "doelwaarde",
    "streefwaarde", "verwacht", "nominale", "nominaal",
}  # fmt: skip
_DURATION = LENGTHS | {
    "cost", "dt", "delta", "length", "exec", "execution",
}  # fmt: skip
#: Words of an instant, of which a clock's header is made, and those that may stand beside them.
_INSTANT = {
    "time", "timestamp", "timestamps", "stamp", "t", "ts", "clock", "epoch", "datetime", "date",
    "now", "uptime", "micros", "millis", "nanos", "elapsed", "utc", "clk", "monotonic",
    "start", "started", "at", "logged", "recorded", "received", "recv", "sent",
}  # fmt: skip
_OF_A_CLOCK = _INSTANT | {
    "unix", "gmt", "local", "system", "sys", "wall", "host", "device", "board", "robot", "mono",
    "monotonic", "since", "start", "started", "boot", "at", "log", "logged", "recorded", "record",
    "run", "game", "match", "abs", "absolute", "rel", "relative", "of", "the", "sensor",
    "mcu", "pc", "sample", "server", "client", "current", "s", "ms", "us", "ns", "sec", "secs",
    "seconds", "second", "msec", "usec", "milliseconds", "microseconds", "nanoseconds", "day",
    "row", "loop", "received", "recv", "rx", "arrival", "arrived", "gateway",
    "header", "capture", "event", "real", "in", "hw", "origin",
}  # fmt: skip
#: Words that name an instant where values do nothing but rise.
_MOMENT = {
    "when", "instant", "moment", "timer", "boot", "since", "begin", "beginn", "anfang", "startzeit",
    "zeitpunkt", "zeitstempel", "uhrzeit", "heure", "horodatage", "debut", "hora", "instante",
    "momento", "inicio", "ora", "orario", "inizio", "istante", "tijdstip", "tijdstempel",
    "starttijd", "godzina", "poczatek", "chwila",
}  # fmt: skip
_UNIT_ALONE = {
    "ms", "us", "ns", "sec", "secs", "second", "seconds", "msec", "usec", "milliseconds",
    "microseconds", "nanoseconds",
}  # fmt: skip
_SIGNAL = READINGS | {
    "angles", "vel", "position", "pos", "pose", "x", "y", "z", "w", "bat", "power", "torque",
    "dist", "distance", "range", "accel", "acceleration", "gx", "gy", "gz", "ax", "ay", "az",
    "mx", "my", "mz", "qx", "qy", "qz", "qw", "percent", "pct", "hz", "fps", "freq",
    "frequency", "rate", "omega", "gain", "pwm", "throttle", "steer", "steering", "brake",
    "pressure", "humidity", "lat", "lon", "altitude", "depth", "curvature", "value", "raw",
    "adc", "reading", "output", "input", "setpoint", "kp", "ki", "kd", "p", "i", "d", "load",
    "memory", "mem", "heap", "bytes", "size", "confidence", "score", "ratio", "duty", "enabled",
    "active", "valid", "ok", "flag", "flags", "status", "button", "axis", "joystick", "level",
    "light", "lux", "mag", "quality", "ticks", "turns",
}  # fmt: skip
#: Those of them that name what is done in a loop as well; a plain reading, as of a range, is none.
_EITHER = {
    "steer", "steering", "brake", "mag", "output", "input", "joystick", "status",
}  # fmt: skip
_COUNTER = {
    "index", "idx", "row", "line", "id", "no", "nr", "number", "num", "count", "counter", "seq",
    "sequence", "n", "k", "i",
}  # fmt: skip
_GROUP = {
    "agent", "tag", "device", "robot", "node", "sensor", "channel", "unit", "module", "source",
    "topic", "task", "thread", "core", "host", "station", "vehicle", "anchor", "addr", "address",
    "mac", "motor", "wheel", "board",
}  # fmt: skip
_FILLERS = {
    "the", "of", "in", "per", "last", "this", "each", "to", "since", "real", "actual", "measured",
    "avg", "average", "mean", "my", "code", "task", "control", "robot", "periodic", "thread",
    "current", "previous", "prev", "between", "t", "us", "ms", "s", "ns", "start", "end", "for",
    "run",
}  # fmt: skip
#: Words of what is counted, whatever else the column is called, and what may be a call as well.
_MANY = {
    "retries", "tries", "attempts", "errors", "drops", "dropped", "misses", "missed", "timeouts",
    "resends", "resets", "faults", "failures", "fails", "overflows", "overruns", "collisions",
    "packets", "messages", "msgs", "bytes", "items", "hits", "counts", "interrupts", "switches",
    "events", "samples", "queued", "wiederholungen", "fehler", "versuche", "reintentos", "errores",
}  # fmt: skip
_SOME = {"queue", "backlog", "pending", "retry", "depth", "waiting", "size", "fill"}
#: Words of what holds or does not.
_STATES = {"ok", "valid", "enabled", "flag", "flags", "status"}
#: Components of vectors.
_AXIS = re.compile(
    r"^(?:[a-z]{0,2}|acc|ang|cmd|dir|err|gyr|imu|lin|loc|mag|odo|off|pos|ref|rot|set|tgt|vec|vel)"
    r"[xyzw]$"
)
# words that are written as one: the second part is what the first is of
_JOINED = re.compile(
    r"^(?!timestamp|timeout|uptime|runtime|datetime|realtime|timestep|mainloop|superloop)"
    r"(?P<a>[a-z]{2,}?)(?P<b>time|duration|period|cycle|latency|interval|loop|jitter)$|"
    r"^(?P<c>loop|cycle|frame|total|elapsed|exec|delta|unix|time|system|work)(?P<d>[a-z]{2,})$"
)
_WHOLES = {"timestamp", "timeout", "uptime", "runtime", "datetime", "realtime", "timestep",
           "mainloop", "superloop", "timestamps", "execution", "totals", "loops", "times",
           "looping", "frames", "cycles", "working", "systems", "timer", "deltas"}  # fmt: skip


@lru_cache(maxsize=1 << 16)
def tokens(text: str) -> tuple[str, ...]:
    """Words of a header in lower case, without its time unit.

    Examples
    --------
    >>> tokens("Gyro Time [ms]"), tokens("dt_gyro"), tokens("loopTimeMs"), tokens("looptime")
    (('gyro', 'time'), ('dt', 'gyro'), ('loop', 'time'), ('loop', 'time'))
    >>> tokens("Desviaci\N{LATIN SMALL LETTER O WITH ACUTE}n_ms")
    ('desviacion',)
    """
    stem = without_accents(split_unit(text)[0])
    found: list[str] = []
    for piece in _SPLIT.split(stem):
        word = piece.lower().rstrip("0123456789")
        joined = None if not word or word in _WHOLES else _JOINED.match(word)
        if joined:
            found += [part for part in joined.groups() if part]
        elif word:
            found.append(word)
    return tuple(found) or ((stem.strip().lower(),) if stem.strip() else ())


def bare_name(text: str) -> tuple[str, ...]:
    """Words of a header that say of what it tells, without those for a length of time.

    Examples
    --------
    >>> bare_name("Gyro duration"), bare_name("dt_gyro_read_ms")
    (('gyro',), ('gyro', 'read'))
    """
    return tuple(word for word in tokens(text) if word not in _DURATION | _FILLERS | {"column"})


def of_a_clock(text: str) -> bool:
    """Whether a header may be that of a clock, if its values rise.

    Examples
    --------
    >>> of_a_clock("board_ms"), of_a_clock("host"), of_a_clock("gyro_ms")
    (True, False, False)
    """
    timed = split_unit(text)[1] is not None and set(tokens(text)) <= _OF_A_CLOCK
    return timed or meaning(text) == "clock"


def of_an_instant(text: str) -> bool:
    """Whether a header that says no more than a time of the loop is a clock's if values only rise.

    Examples
    --------
    >>> of_an_instant("loop_t"), of_an_instant("Cycle time"), of_an_instant("gyro time")
    (True, True, False)
    """
    said = set(tokens(text))
    return bool(said & (_INSTANT | _MOMENT)) and said <= _OF_A_CLOCK | _WHOLE | _MOMENT


@lru_cache(maxsize=1 << 16)
def names_setting(text: str) -> bool:
    """Whether a header names what was set, such as a limit.

    Examples
    --------
    >>> names_setting("limit"), names_setting("limit_ms"), names_setting("lift_ms")
    (True, True, False)
    """
    return bool(_SETTING & set(tokens(text)))


def aims_at(words: tuple[str, ...]) -> bool:
    """Whether words of a header name more than a length that is aimed at: a thing looked for.

    Examples
    --------
    >>> aims_at(("target", "detect")), aims_at(("loop", "target")), aims_at(("motor", "limit"))
    (True, False, False)
    """
    said = set(words)
    return bool(said & _AIM) and bool(said - _SETTING - _WHOLE - _PERIOD)


def may_be_part(text: str) -> bool:
    """Whether a header that names a signal may be that of a part of the loop as well.

    Examples
    --------
    >>> may_be_part("steer"), may_be_part("steer_angle"), may_be_part("heading")
    (True, False, False)
    """
    return bool(_EITHER.intersection(said := tokens(text))) and not (_SIGNAL - _EITHER) & {*said}


@lru_cache(maxsize=4096)
def names_count(text: str) -> str:
    """Whether a header without a unit of its own names a count: ``sure``, ``maybe`` or nothing.

    Examples
    --------
    >>> names_count("times.retries"), names_count("times_us.queue"), names_count("retries_ms")
    ('sure', 'maybe', '')
    """
    own, of_group = of_lengths(text) or (text, None)
    last = tokens(own)[-1:] if split_unit(own)[1] in (None, of_group) else ()
    return "sure" if _MANY & set(last) else "maybe" if _SOME & set(last) else ""


#: Letters that stand for a part as well as for a value; x, v or q are hardly ever parts.
_LETTERS = frozenset("abcdefghlmos")


@lru_cache(maxsize=1 << 16)
def meaning(text: str) -> str:
    """What a header says of its column, one of `MEANINGS`; values have the last word.

    Examples
    --------
    >>> [meaning(text) for text in ("Loop Time", "gyro_ms", "dt", "imu_latency_ms", "heading")]
    ['whole', 'duration', 'period', 'latency', 'signal']
    >>> meaning("module[0].readAngle"), meaning("module[0].angle")
    ('bare', 'signal')
    >>> [meaning(text) for text in ("timing.heading", "took/total", "timing.seq", "times_ms.t")]
    ['duration', 'whole', 'counter', 'clock']
    >>> [meaning(text) for text in ("parts_ms.row_camera", "parts_ms.row", "timing.row_camera")]
    ['duration', 'counter', 'counter']
    >>> [meaning(text) for text in ("time_elapsed", "Jitter(ms)", "ExecutionTime(ms)", "Gyro")]
    ['clock', 'deviation', 'busy', 'bare']
    """
    if (member := of_lengths(text)) is not None:
        return _among_lengths(*member)
    words, unit = tokens(text), split_unit(text)[1]
    said = set(words)
    rest = said - _FILLERS
    timed = unit is not None or bool(said & _DURATION)
    if words.count("end") == 2 and "to" in said:
        return "latency"
    of_loop = "loop" in said and not said & {"start", "started", "at"}
    if said <= _OF_A_CLOCK and (said & _INSTANT or said <= _UNIT_ALONE) and not of_loop:
        return "clock"
    if not rest:
        return "duration" if timed else "signal" if said == {"current"} else "bare"
    if (
        said <= {"since", "last", "time", "loop", "start", "previous"}
        and "since" in said
        and (said & {"last", "previous"})
    ):
        return "period"
    if rest & _SETTING and (timed or rest & _WHOLE or rest & _PERIOD):
        return "setting"
    if rest & _DEVIATION and (timed or rest <= _DEVIATION | _PERIOD | _WHOLE | _DURATION):
        return "deviation"
    if rest & _LATENCY and (timed or rest <= _LATENCY | _WHOLE):
        return "latency"
    if rest <= _PERIOD | _WHOLE | _DURATION and rest & _PERIOD:
        return "period"
    if unit is None and ((words[-1] in OTHER_UNITS and len(words) > 1) or quantity_of(text)):
        return "signal"
    if rest <= _WHOLE | _DURATION | _BUSY:
        if rest & _BUSY:
            return "busy"
        if rest & _WHOLE and (timed or not said & _COUNTER):
            return "whole"
    done = {words[0], words[-1]} & _DONE and words[-1] not in _COUNTER
    if unit is None and rest & _COUNTER and not said & _DURATION and not done:
        return "group" if said & _GROUP else "counter"
    if timed:
        return "duration"
    if _METHOD.search(text) or done:  # what is called is timed, whatever it brings
        return "bare"
    if len(words) == 1 and words[0] in _LETTERS:
        return "bare"
    if rest & _SIGNAL or len(words[-1]) == 1 or _AXIS.match(words[-1]):
        return "signal"
    return "bare"


def _among_lengths(text: str, unit: str | None) -> str:
    """What a member of a group of lengths is, one of `MEANINGS`: a length, if it may be one.

    Where the group says in which unit, it is none only if all of its name is that of a counter.
    """
    stem = split_unit(text)[0]
    own = meaning(stem)
    counts = own == "counter" and (unit is None or set(tokens(stem)) <= _COUNTER | _FILLERS)
    if counts or tokens(text)[-1] in _STATES:
        return own
    return meaning(text if split_unit(text)[1] else f"{text} [ms]")
