"""What may end the gain of a plan: a pace that the loop hardly or never kept so far."""

from looptime.analysers.self_table import SelfTable
from looptime.array_types import Float
from looptime.planner.play.draft import KnownRun
from looptime.run import Run
from looptime.words import number, three

__all__ = ["end_of_gain"]

#: So near to the interval of a pace that is seldom kept, what is predicted lies at it.
_NEARLY = 1.03
#: Share of the mean from which on a gain may meet a pace that never shows while loops are late.
_LARGE = 0.4
#: A wait of less than such a share of the mean is none; a program that waits in fewer than such a
#: share of its loops is as good as never early for its pace.
_NO_WAIT, _HARDLY = 0.01, 0.003


def end_of_gain(known: KnownRun, mean_ms: float, gain_ms: float) -> list[str]:
    """A warning where a set pace that the loop hardly or never kept so far may end the gain."""
    waits = [call.name for call in known.run.names if call.kind == "pacing"]
    if gain_ms <= 0 or known.judges_work:
        return []
    if known.least_ms is not None:
        if mean_ms - gain_ms > _NEARLY * known.least_ms:
            return []
        return [
            f"{waits[0] if waits else 'the loop'} waits until {three(known.least_ms)} ms after the "
            "loop's start where it is ready by then: that pace will end the gain there"
        ]
    if known.pace is not None:
        return []
    if waits:
        waited = _waited_ms(known.run)
        if float((waited > _NO_WAIT * mean_ms).mean()) < _HARDLY:
            each = number(float(waited.mean()))
            return [
                f"{waits[0]} hardly waits today, {each} ms a loop: the loop is too slow "
                "for the pace that it keeps, which may end the gain once the loop is fast enough"
            ]
        return [f"{waits[0]} waits now and then: the pace that it keeps may end the gain there"]
    if gain_ms < _LARGE * mean_ms:
        return []
    return ["if the code has a set rate that it is too slow for today, it gets no faster than that"]


def _waited_ms(run: Run) -> Float:
    """What each loop waits in its pacing calls [ms]."""
    table = SelfTable(run.self_pieces(), len(run), len(run.names))
    return table.by_loop([call.kind == "pacing" for call in run.names]) / 1e6
