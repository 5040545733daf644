"""Whether threads of the robot's program compute at once, or take turns on one lock."""

import re
from collections.abc import Mapping

import numpy as np

from looptime.records import dataclass
from looptime.run import Run

__all__ = ["SWITCH_MS", "ThreadRule", "compute_share", "thread_rule"]

#: How long a thread waits for the one lock of an interpreter until it is handed over, unless said.
SWITCH_MS = 5.0
_ABOUT = re.compile(r"runtime|interpreter|language|thread|\bvm\b|\bimplementation\b|\block\b")
_NO_LOCK = re.compile(
    r"\b(no|without|not have)\b[\w ,-]{0,24}\block\b"
    r"|(lock|gil)\b:? ?(is |= ?)?(off|none|no|disabled|removed)\b"
    r"|(disabled|removed|without|no) (the )?gil\b|free.?thread"
    r"|\bpython ?3\.\d+t\b|not? (\w+ )?tak(e|ing) turns"
)
_NOT_AT_ONCE = re.compile(
    r"\b(not|never|cannot|can't) [\w ]{0,20}(at once|in parallel|at the same time|simultan)"
    r"|(one|single) (thread )?at a time"
)
_LOCK = re.compile(
    r"\b(global|one|single|interpreter)[\w -]{0,20}\block\b|tak(e|ing) (\w+ )?turns|\bgil\b"
)
_ONE_CORE = re.compile(r"\b(one|1|single)[ -](core|processor|cpu)\b")
_AT_ONCE = re.compile(
    r"\bcompiled\b|\bnative\b|ahead.of.time|\bat once\b|in parallel|at the same time|simultan"
    r"|\b(two|both|four|several|2|4|multi)[ -]?(cores|core|processors)\b"
)
_THREADS_AT_ONCE = re.compile(
    r"\bthreads\b[\w ]{0,24}(\bat once|in parallel|at the same time|simultan)"
)
_OF_A_BUS = re.compile(r"\b(bus|port|i2c|spi|can|uart|serial|device|wire)\b")
_OF_ALL = re.compile(r"\b(global|interpreter|runtime|gil)\b")
_INTERPRETED = re.compile(r"\b(c?python|ruby)(\d[\d.]*)?\b")
_COMPILED = re.compile(r"\b(java|kotlin|rust|go|c)\b|c\+\+|c#")
_LANGUAGE = re.compile(r"runtime|interpreter|language|\bvm\b|implementation")
_INTERVAL = re.compile(r"switch.?interval")
_UNIT_MS = {"s": 1e3, "ms": 1.0, "us": 1e-3, "µs": 1e-3, "ns": 1e-6}


@dataclass(frozen=True)
class ThreadRule:
    """How threads that compute get along."""

    #: ``take turns`` on one lock, ``at once``, or ``unknown``.
    mode: str = "unknown"
    switch_ms: float = SWITCH_MS
    source: str = ""  #: What says so, in a few words
    switch_stated: bool = False


def thread_rule(
    meta: Mapping[str, str], threads: str | None = None, switch_ms: float | None = None
) -> ThreadRule:
    """What the project states, else what the head of the log says.

    Parameters
    ----------
    meta : dict of str to str
        ``Run.meta``.
    threads, switch_ms : optional
        ``[loop] threads`` and ``switch_interval_ms`` of the project file.

    Examples
    --------
    >>> thread_rule({"runtime": "interpreter with one global lock"}).mode
    'take turns'
    >>> thread_rule({"runtime": "compiled, two cores"}).mode
    'at once'
    >>> thread_rule({"robot": "carrier"}).mode
    'unknown'
    """
    lines = {str(key).lower(): str(value).lower() for key, value in meta.items()}
    logged = next((ms for key, text in lines.items() if (ms := _interval(key, text))), None)
    found = switch_ms or logged
    known = (found or SWITCH_MS), found is not None
    if threads is not None:
        return ThreadRule(threads, known[0], "looptime.toml", known[1])
    for key, text in lines.items():
        mode = _mode(key, text)
        if mode is not None:
            return ThreadRule(mode, known[0], f"{key}: {text}", known[1])
    return ThreadRule(switch_ms=known[0], switch_stated=known[1])


def _mode(key: str, text: str) -> str | None:
    """What a line of the log's head says of threads; None where it says nothing of them."""
    line = f"{key} {text}"
    if _INTERVAL.search(key) or not _ABOUT.search(line):
        return None
    if _OF_A_BUS.search(line) and not _OF_ALL.search(line):
        return None
    if _NO_LOCK.search(line):
        return "at once"
    if _NOT_AT_ONCE.search(line) or _LOCK.search(line):
        return "take turns"
    if _ONE_CORE.search(line):
        return "unknown"
    if _AT_ONCE.search(line) and (_ABOUT.search(key) or _THREADS_AT_ONCE.search(text)):
        return "at once"
    if _LANGUAGE.search(key):
        if _INTERPRETED.search(text):
            return "take turns"
        if _COMPILED.search(text):
            return "at once"
    return None


def _interval(key: str, text: str) -> float | None:
    """The switch interval that a line of the head states [ms]; its unit in the key or the value."""
    number = re.match(r"\s*([0-9]*\.?[0-9]+(?:e-?[0-9]+)?)\s*([a-zµ]*)", text)
    if not _INTERVAL.search(key) or number is None:
        return None
    words = [number[2], *re.split(r"[^a-zµ]+", key)]
    unit = next((word for word in words if word in _UNIT_MS), None)
    return float(number[1]) * _UNIT_MS[unit] if unit and float(number[1]) > 0 else None


def compute_share(run: Run) -> list[float | None]:
    """Of each name, the share of its time in which it computes; None where nothing tells.

    Processor time over duration where it was recorded; else by kind.
    """
    calls, size = run.call_columns, len(run.names)
    took = np.bincount(calls.name, weights=calls.duration_ns, minlength=size)
    if calls.cpu_ns is not None:
        cpu = np.bincount(calls.name, weights=calls.cpu_ns, minlength=size)
        if cpu.any():
            share = np.clip(cpu / np.maximum(took, 1.0), 0.0, 1.0)
            return [float(s) if t > 0 else None for s, t in zip(share, took, strict=True)]
    return [{"compute": 1.0, "other": None}.get(call.kind, 0.0) for call in run.names]
