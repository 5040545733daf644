"""The pace at which a loop is to run, as a line of a log's head says in ordinary words."""

import re
from collections.abc import Mapping

from looptime.units import NS_PER_MS, NS_PER_S, UNITS

__all__ = ["PACE", "stated_tick", "stated_tick_ms"]

#: Key under which it is kept of what the head of a log says.
PACE = "target"

_AIM = r"(?:target|nominal|desired|intended|planned|scheduled|wanted|fixed|paced|pace)"
_LOOP = r"(?:(?:control|main)[\s_-]*)?(?:loop|cycle)"
_MEASURE = r"(?:loop|cycle|update|tick|rate|period|frequency|freq|interval|time)"
_UNIT = r"(hz|1/s|/s|per second|ms|us|s)\b"
_BEGIN, _END = r"(?:^|[,;|(])[\s#/;%*-]*(?:the|our|an?)?\s*", r"\s*(?:$|[,;|(.])"
#: ``target 50 Hz``, ``loop period: 20 ms``, ``loop runs at 50 Hz``, ``target_hz = 50``.
_BEFORE = re.compile(
    rf"{_BEGIN}(?:rate|period|frequency|{_AIM}(?:[\s_-]*{_MEASURE})*|{_LOOP}(?:\(\))?(?:[\s_-]*{_MEASURE}|\s+runs\b|\s+paced\b"
    rf"|\s+is\s+(?:run|called|executed|scheduled|paced)\b"
    rf"|\s+at\b|_(?=hz))+)[\s_]*(?:[\[(]?{_UNIT}[\])]?)?"
    rf"\s*(?:[:=]|is|of|to|at|every)?\s*(\d+(?:\.\d+)?)\s*(?:{_UNIT})?{_END}",
    re.IGNORECASE,
)
#: ``50 Hz loop``, ``20 ms period``.
_AFTER = re.compile(
    rf"{_BEGIN}(\d+(?:\.\d+)?)\s*{_UNIT}\s*(?:{_AIM}|{_LOOP}|tick|period)"
    rf"(?:\s*{_MEASURE})*{_END}",
    re.IGNORECASE,
)


def stated_tick(text: str) -> str | None:
    """The rate or period at which a line says that the loop is to run, with its unit.

    Examples
    --------
    >>> stated_tick("# target 50 Hz; a missed tick is skipped"), stated_tick("loop_period_ms: 20")
    ('50 hz', '20 ms')
    >>> stated_tick("// 50 Hz loop, log at every pass"), stated_tick("main loop runs at 100 Hz")
    ('50 hz', '100 hz')
    >>> stated_tick("target_hz=50"), stated_tick("Loop rate (Hz): 50"), stated_tick("period 20 ms")
    ('50 hz', '50 hz', '20 ms')
    >>> stated_tick("# tray carrier; loop() is called at 50 Hz (20 ms)")
    '50 hz'
    >>> stated_tick("imu rate 100 Hz"), stated_tick("tick 1 us"), stated_tick("loop 12: 50 ms late")
    (None, None, None)
    """
    found = _BEFORE.search(text)
    if found is not None and (unit := found[1] or found[3]):
        return f"{found[2]} {unit.lower()}"
    found = _AFTER.search(text)
    return None if found is None else f"{found[1]} {found[2].lower()}"


def stated_tick_ms(meta: Mapping[str, str]) -> float | None:
    """The period [ms] at which the head of the log says that the loop is to run.

    Examples
    --------
    >>> stated_tick_ms({"target": "50 Hz"}), stated_tick_ms({"loop_period_ms": "20"})
    (20.0, 20.0)
    >>> stated_tick_ms({"robot": "tray carrier"}) is None
    True
    """
    for key, value in meta.items():
        number, _, unit = (stated_tick(f"{key}: {value}") or "").partition(" ")
        if not number or float(number) <= 0:
            continue
        if unit in UNITS:
            return float(number) * UNITS[unit] / NS_PER_MS
        return NS_PER_S / NS_PER_MS / float(number)
    return None
