"""Remedies for writes, telemetry and long turns."""

import numpy as np

from looptime.analysers.durations import passed_by
from looptime.analysers.same_writes import Repeats, repeats
from looptime.planner.changes import Change
from looptime.planner.search.look import LEAST, Look, change_of, doing
from looptime.stats.quantiles import percentiles
from looptime.words import named, percent

__all__ = ["long_turns", "telemetry", "unchanged_writes"]


def telemetry(look: Look) -> None:
    """Messages less often."""
    rhythm = {r.name: r for r in look.at.rhythms.calls if r.recurs == "time"}
    for name in look.names("telemetry"):
        if look.share(name) < LEAST:
            look.leave(f"every {name} ms=...", f"it takes {percent(look.share(name))} of the loop")
            continue
        known = rhythm.get(name)
        now = (known.interval_ns or 0.0) / 1e6 if known is not None else 0.0
        step = 50 if 5 * now < 500 else 100
        interval = max(step * round(5 * now / step), 250)
        instead = f", not every {now:.0f} ms" if now else ""
        look.add(
            [str(Change.of("every", name, ms=float(interval)))], [name],
            f"it takes {percent(look.share(name))} of the loop", "low",
            say=f"Call {name} every {interval} ms{instead}",
            check="see that whoever watches the robot can do with fewer messages",
        )  # fmt: skip


def unchanged_writes(look: Look) -> None:
    """Writes of what has not changed."""
    names = look.names("actuator write")
    if not names:
        return
    share = sum(look.share(n) for n in names)
    if share < 0.03:
        look.leave("on-change ...", f"all writes together take {percent(share)} of the loop")
        return
    told = repeats(look.at.run, names)
    if told is not None:
        _counted_writes(look, names, share, told)
        return
    few, half, most = (change_of("on-change", names, look, share=s) for s in (0.0, 0.5, 0.9))
    look.add(
        [half], names,
        f"writes take {percent(share)} of the loop; how many repeat the last value is not known, "
        "half are assumed to, and left out (share=0.5)", "medium",
        say=f"{doing('Write', names)} only when the value changes",
        check="count how many repeat the last value, and see that no controller stops without "
        "fresh writes", ends=((few,), (most,)),
    )  # fmt: skip


def _counted_writes(look: Look, names: list[str], share: float, told: Repeats) -> None:
    """Writes of which the log holds how many repeat the last value.

    A shorter loop has as many changes in a second, and so fewer in a loop, where commands come by
    the clock: both are played, as many in a loop and as many in a second.
    """
    left, signals = round(told.share, 3), named(told.signals)
    if left * share < LEAST:
        look.leave("on-change ...", f"by {signals}, as logged, nearly every write is a new one")
        return
    changes = 1 - left
    shorter = (1 - share) / (1 - share * changes)  # T' = (1 - w) T + w c T', where c = changes T'
    in_time = round(1 - changes * shorter, 3)
    now, later = (change_of("on-change", names, look, share=s) for s in (left, in_time))
    look.add(
        [now], names,
        f"writes take {percent(share)} of the loop, and {signals}, as logged, "
        f"{'stays' if len(told.signals) == 1 else 'stay'} the same in {percent(told.share)} of "
        "them", "medium",
        say=f"{doing('Write', names)} only when the value changes",
        check="see that this is all that is written, and that no controller stops without "
        "fresh writes", ends=((later,),),
    )  # fmt: skip


def long_turns(look: Look) -> None:
    """Calls whose long turns cost much: a limit on how long they may block."""
    run, line = look.at.run, look.at.line
    duration = run.call_columns.duration_ns[line.row].astype(float)
    if look.at.wait_ns is not None:
        duration = duration - look.at.wait_ns
    code = {call.name: i for i, call in enumerate(run.names)}
    pulses = {r.name for r in look.at.rhythms.calls if r.pulses}
    for name in look.names("sensor read") + look.names("actuator write"):
        mine = duration[line.name == code[name]]
        mine = mine[~passed_by(mine)]  # what is long in each real turn is no rare long one
        limit = 3 * percentiles(mine, [90])[0]
        excess = float(np.maximum(mine - limit, 0).sum()) / len(run)
        if name in pulses or excess < LEAST * look.mean_ns:
            continue
        ms = float(f"{limit / 1e6:.2g}")
        look.add(
            [str(Change.of("cap", name, ms=ms))], [name],
            f"its rare long turns, up to {mine.max() / 1e6:.3g} ms, cost "
            f"{percent(excess / look.mean_ns)} of the loop", "low",
            say=f"Give {name} a timeout of {ms:g} ms",
            check="see what the code does in a loop without that reading",
        )  # fmt: skip
