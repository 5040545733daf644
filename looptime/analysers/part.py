"""A part of a run: a phase, a stretch of time, or the loops in which a column has a value."""

import re
from collections.abc import Sequence

import numpy as np

from looptime.array_types import Bool
from looptime.errors import UsageError, nearest
from looptime.run import Run

__all__ = ["IDLE_WORDS", "in_phase", "is_idle", "part", "phases"]

#: Words in a phase's name that say that the robot stands idle.
IDLE_WORDS = ("standby", "idle", "disabled", "off", "waiting", "paused", "stopped", "init")


def part(
    run: Run,
    phase: str | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    where: str | Sequence[str] | None = None,
) -> Run:
    """The loops of a run that are asked for.

    Parameters
    ----------
    run : Run
        The recording.
    phase : str, optional
        Word of the log's phase column.
    from_s, to_s : float, optional [s]
        Since the start of the run; a loop counts by its start.
    where : str or sequence of str, optional
        ``COLUMN=VALUE``: the phase, or a signal that was logged in the loop; ``COLUMN!=VALUE``
        leaves those loops out.

    Returns
    -------
    Run
        The run itself if nothing is asked for.

    Raises
    ------
    UsageError
        If there is no such phase or column, or no loop is left.
    """
    conditions = (where,) if isinstance(where, str) else tuple(where or ())
    if phase is None and from_s is None and to_s is None and not conditions:
        return run
    keep = np.ones(len(run), bool)
    if phase is not None:
        keep &= in_phase(run, phase)
    start = run.loop_columns.start_ns
    since = (start - start[0]) / 1e9 if len(start) else np.zeros(0)
    if from_s is not None:
        keep &= since >= from_s
    if to_s is not None:
        keep &= since < to_s
    for condition in conditions:
        keep &= _where(run, condition)
    if not keep.any():
        last = f"{since[-1]:.3f} s" if len(since) else "nowhere"
        raise UsageError(
            f"no loop of {run.source or 'the run'} is left: it has {len(run)} loops, which start "
            f"from 0 to {last}; ask for another part"
        )
    return run.select(keep)


def phases(run: Run) -> tuple[str, ...]:
    """Phases that occur in the run, those that stand for work first, then by number of loops.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> at = LoopColumns(
    ...     np.arange(3), np.arange(3), np.ones(3, int), None,
    ...     np.array([0, 0, 1], np.int16), ("standby", "operator"),
    ... )
    >>> phases(Run(at))
    ('operator', 'standby')
    """
    at = run.loop_columns
    if at.phase is None:
        return ()
    counts = np.bincount(at.phase[at.phase >= 0], minlength=len(at.phase_names))
    found = [(name, int(counts[k])) for k, name in enumerate(at.phase_names) if counts[k]]
    idle = {name: is_idle(name) for name, _ in found}
    return tuple(name for name, n in sorted(found, key=lambda f: (idle[f[0]], -f[1])))


def is_idle(name: str | None) -> bool:
    """Whether a phase's name says that the robot stands idle, or says nothing; a whole run may not.

    Examples
    --------
    >>> [is_idle(name) for name in ("standby", "", "operator", None)]
    [True, True, False, False]
    """
    if name is None:
        return False
    words = re.findall(r"[a-z]+", name.lower())
    return not words or any(word in IDLE_WORDS for word in words)


def in_phase(run: Run, phase: str) -> Bool:
    """Which loops belong to a phase; bool array, shape (n,).

    Raises
    ------
    UsageError
        If there is no such phase.
    """
    at = run.loop_columns
    if at.phase is None:
        raise UsageError(f"{run.source or 'the run'} has no phases: leave --phase out")
    if phase not in at.phase_names:
        raise UsageError(f"phase {phase!r} does not occur; {nearest(phase, at.phase_names)}")
    return at.phase == at.phase_names.index(phase)


def _where(run: Run, where: str) -> Bool:
    without = "!=" in where
    column, sign, value = where.partition("!=" if without else "=")
    column, value = column.strip(), value.strip()
    if not sign or not column:
        raise UsageError(f"--where {where!r} cannot be used: write COLUMN=VALUE or COLUMN!=VALUE")
    found = in_phase(run, value) if column == "phase" else _has_signal(run, column, value)
    return ~found if without else found


def _has_signal(run: Run, column: str, value: str) -> Bool:
    signals = run.signals
    known = ["phase"] if run.loop_columns.phase is not None else []
    known += list(signals.values) if signals is not None else []
    if signals is None or column not in signals.values:
        there = ", ".join(known) if known else "none"
        there += " (what the log calls its mode or state is its phase)" if "phase" in known else ""
        raise UsageError(f"--where: no column {column!r}; there is: {there}")
    try:
        number = float(value)
    except ValueError:
        raise UsageError(f"--where: {column} holds numbers, {value!r} is none") from None
    rows = np.isclose(signals.values[column], number, rtol=1e-9, atol=1e-12)
    keep = np.zeros(len(run), bool)
    keep[signals.loop[rows]] = True
    return keep
