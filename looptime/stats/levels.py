"""How the alarms about one run share a budget of 5 % false alarms.

Rates add up. On a log with nothing in it but autocorrelation, recurrence (all calls), drift,
change points and blocking together may raise an alarm in at most one log of twenty, so each
is set stricter than it would be alone.
"""

from looptime.records import dataclass

__all__ = ["ALONE", "IN_RUN", "Levels"]


@dataclass(frozen=True)
class Levels:
    """Levels of the alarms about one run."""

    drift: float  #: p below which a drift is reported
    #: Adjusted p below which a rhythm is reported, of all series of a run together: divide it by
    #: the number of series looked at (`looptime.stats.recurrence_test.rhythms` does).
    rhythm: float
    #: Penalty of a change point, in units of the long-run variance times ln K.
    change_penalty: float


#: Each question asked by itself.
ALONE = Levels(drift=0.05, rhythm=0.02, change_penalty=3.0)

#: All questions asked about one run. The penalty of a change point is strict enough by itself:
#: on logs with autocorrelation alone it lets hardly one in a thousand pass.
IN_RUN = Levels(drift=0.02, rhythm=0.006, change_penalty=3.0)
