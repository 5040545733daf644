"""A starter ``looptime.toml`` with what was guessed, for a person to correct."""

import json
import math

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.blocking import BLOCKING_KINDS
from looptime.analysers.buses import is_batched
from looptime.analysers.contention import Contentions, contention, shared_buses
from looptime.run import Run
from looptime.schema import CallName

__all__ = ["draft_project"]

_MOST = 400


def draft_project(run: Run) -> str:
    r"""Text of a project file that labels every call as it was guessed or logged.

    Lines that only a person can fill in are comments. Names are written so that they match
    themselves and nothing else.

    Parameters
    ----------
    run : Run
        A recording of the robot's ordinary work.

    Returns
    -------
    str
        TOML that `looptime.project.Project.load` reads.

    Examples
    --------
    >>> from looptime.run import CallColumns, LoopColumns
    >>> at = np.array([10_000_000])
    >>> run = Run(LoopColumns(np.arange(1), at * 0, at), names=(CallName("wall.read"),))
    >>> print(draft_project(run).splitlines()[0])
    # looptime.toml: a draft. Correct what is guessed, then keep it beside the robot code.
    """
    basis = prepare(run)
    run = basis.run  # with the wait named, where none is labelled
    lines = [
        "# looptime.toml: a draft. Correct what is guessed, then keep it beside the robot code.",
        "",
        "[loop]",
        *_budget(run, basis.pacing.nominal_ms if basis.pacing.fixed_rate else None),
        "",
    ]
    own = np.bincount(
        basis.pieces.name, weights=basis.pieces.self_ns, minlength=max(len(run.names), 1)
    )
    order = [int(k) for k in np.argsort(-own, kind="stable") if k < len(run.names)]
    seen = contention(basis)
    shared = shared_buses(run, seen)
    for code in order[:_MOST]:
        lines += _call(run.names[code], shared[run.names[code].name])
    if len(order) > _MOST:
        lines += [f"# {len(order) - _MOST} more names cost less than these and are left out.", ""]
    buses = sorted({bus for bus in shared.values() if bus})
    for bus in buses:
        lines += [f"[bus.{_quoted(bus)}]", *_BUS, *_lock(seen, shared, bus), ""]
    if not buses:
        lines += ["# One table for each bus that calls name above:", "# [bus.port]", *_BUS, ""]
    return "\n".join(lines)


_BUS = (
    "# base_ms = 1.0        # one transaction, whatever it carries",
    "# per_item_ms = 0.2    # each reading in it",
)


def _budget(run: Run, nominal_ms: float | None) -> list[str]:
    period = run.loop_columns.period_ns
    usual = float(np.median(period)) / 1e6 if len(period) else 20.0
    if nominal_ms is not None:
        why = f"the rate that the loop keeps to, {nominal_ms:.6g} ms, and a tenth"
        return [f"budget_ms = {1.1 * nominal_ms:.6g}    # {why}"]
    guess = math.ceil(usual * 1.5)
    return [f"# budget_ms = {guess}      # a longer period counts as an overrun"]


def _lock(seen: Contentions, shared: dict[str, str | None], bus: str) -> list[str]:
    """The kind of a bus's lock, where contested releases show it."""
    kinds = {e.lock for e in seen.found if shared[e.partners[0]] == bus} - {"unknown"}
    return [f'lock = "{kind}"    # seen where two wanted it' for kind in sorted(kinds)[:1]]


def _call(label: CallName, bus: str | None) -> list[str]:
    guessed = "    # guessed" if label.kind_from == "guessed" else ""
    lines = ["[[call]]", f"match = {_quoted(_literal(label.name))}"]
    known = not guessed or label.kind != "other"  # what is stated is believed
    lines.append(
        f'kind = "{label.kind}"{guessed}' if known else '# kind = "compute"    # not known'
    )
    for key in ("subsystem", "device", "bus"):
        value = getattr(label, key)
        if value is not None:
            note = guessed if key != "bus" else ""
            lines.append(f"{key} = {_quoted(value)}{note}")
    if bus is not None and label.bus is None:
        lines.append(f"bus = {_quoted(bus)}    # seen: they wait for each other")
    elif label.kind in BLOCKING_KINDS[:2] and label.bus is None:
        lines.append('# bus = "port"')
    if label.kind == "sensor read":
        if label.items is not None:
            lines.append(f"items = {label.items}")
        elif is_batched(label):
            lines.append("# items = 8    # readings in one call")
        if label.batchable is not None:
            lines.append(f"batchable = {str(label.batchable).lower()}")
    if label.recurs is not None:
        lines.append(f'recurs = "{label.recurs}"')
    return [*lines, ""]


def _literal(name: str) -> str:
    """The name as a pattern that matches only itself."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's, but for the delete character."""
    return json.dumps(text).replace("\x7f", "\\u007f")
