"""What a loop had left of its target, brought to the work that it did."""

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import counts_rows
from looptime.parsers.columns.lexicon import meaning, names_setting, tokens
from looptime.parsers.lines.grid import Grid
from looptime.parsers.text.dialect import Dialect, is_number, numbers
from looptime.signal_names import of_another_unit
from looptime.units import UNITS, split_unit

__all__ = ["MARGIN", "margins"]

#: Words for what is left of a target.
_MARGINS = frozenset((
    "slack", "margin", "headroom", "spare", "remaining", "reserve", "unused", "idle",
    "marge", "reste", "holgura", "margen", "margine", "speling", "margem", "folga", "spielraum",
    "puffer",
))  # fmt: skip
#: The same in a header, for a look at it.
MARGIN = "|".join(sorted(_MARGINS))
#: What a header says of a target of the loop, and of a part of it.
_TARGETS, _PARTS = ("setting", "period"), ("duration", "bare")
#: The same in other languages.
_SET = frozenset(("soll", "sollwert", "ziel", "cible", "consigne", "objetivo", "obiettivo", "alvo",
                  "doel", "vorgabe", "limite", "limiet", "grenze"))  # fmt: skip
#: Fewest rows that tell, the share of them in which all parts fit into the work, and how little of
#: what the parts vary by the rest of the work varies.
_ROWS, _FITS, _REST = 20, 0.98, 0.2


def margins(grid: Grid, like: Dialect) -> str:
    r"""Bring what is left of a target to the work, in place; what was done.

    Target less margin is the work where it grows with the parts beside it one for one, and they fit
    in: a loop's length that is off its target by so much does not.

    Examples
    --------
    >>> from looptime.parsers.lines.cell_rows import table_grid
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = [f"{20 * k},20,{4 + k % 3},{6 + k % 5},{9 - k % 3 - k % 5}" for k in range(60)]
    >>> lines = ["t_ms,target_ms,imu_ms,arm_ms,slack_ms", *rows]
    >>> like = sniff("\n".join(lines), "a.csv")
    >>> grid = table_grid(lines, like)
    >>> margins(grid, like), grid.names[-1], grid.cells(4)[:2]
    ("'slack_ms' is what is left of 'target_ms': the rest is the work", 'work [ms]', ['11', '13'])
    """
    called = [at for at, name in enumerate(grid.names) if _MARGINS & set(tokens(name))]
    known = any(meaning(name) in ("busy", "whole") for name in grid.names)
    if len(called) != 1 or known or len(like.sample) < _ROWS:
        return ""
    at = called[0]
    units = [split_unit(name)[1] for name in grid.names]
    targets = [k for k, name in enumerate(grid.names) if k != at and _is_target(name)]
    parts = [k for k, name in enumerate(grid.names) if k != at and k not in targets
             and _is_part(name, numbers(like, k))]  # fmt: skip
    if not targets or not parts:
        return ""
    # what names no unit is in that of what it is the rest of
    of = units[at] or next((units[k] for k in (*targets, *parts) if units[k]), None)
    scale = [UNITS[unit or of or "ms"] / UNITS[of or "ms"] for unit in units]
    together = np.nansum([numbers(like, k) * scale[k] for k in parts], axis=0)
    rest = {k: _rest(numbers(like, k) * scale[k] - numbers(like, at), together) for k in targets}
    fit = {k: share for k, share in rest.items() if share <= _REST}
    if not fit:
        return ""
    target = min(fit, key=lambda k: fit[k])
    grid.put(at, _less(grid.cells(target), grid.cells(at), scale[target]))
    said = f"{grid.names[at]!r} is what is left of {grid.names[target]!r}: the rest is the work"
    grid.names[at] = f"work [{of}]" if of else "work"
    return said


def _is_target(name: str) -> bool:
    said = _SET & set(tokens(name)) or names_setting(name)
    return bool(said) or meaning(name) in _TARGETS


def _is_part(name: str, values: Float) -> bool:
    """Whether a column may be a part of the loop: lengths, and neither a clock nor a count."""
    known = values[np.isfinite(values)]
    if meaning(name) not in _PARTS or of_another_unit(name) or len(known) < _ROWS:
        return False
    rises = float((np.diff(known) > 0).mean()) > _FITS
    return bool((known >= 0).all()) and not rises and not counts_rows(values)


def _rest(work: Float, parts: Float) -> float:
    """What the rest of the work varies by, in parts of what the parts do; 1 where they do not fit.

    Halves of the middle, for a late loop or two may be of what nothing tells.
    """
    known = np.isfinite(work) & np.isfinite(parts)
    if known.sum() < _ROWS:
        return 1.0
    rest, parts = work[known] - parts[known], parts[known]
    spread = float(np.subtract(*np.quantile(parts, [0.75, 0.25])))
    rounding = 0.02 * float(np.median(parts))
    if spread <= 0 or float((rest >= -rounding).mean()) < _FITS:
        return 1.0
    return float(np.subtract(*np.quantile(rest, [0.75, 0.25]))) / spread


def _less(target: list[str], left: list[str], scale: float) -> list[str]:
    """Cells of a target less what is left of it."""
    digits = max(
        (len(c.strip().partition(".")[2]) for c in (*target[:400], *left[:400])), default=0
    )
    return [f"{float(of) * scale - float(rest):.{digits}f}" if is_number(of) and is_number(rest)
            else "" for of, rest in zip(target, left, strict=True)]  # fmt: skip
