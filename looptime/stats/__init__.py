"""Statistics on plain arrays: nothing here knows of runs, calls or files.

Only NumPy and `scipy.special` are used. Values may be in any unit unless a name says which.
One module a topic:

- `quantiles`, `dither`, `statistic`: figures of a run; `slow`: stalls.
- `jackknife`: their standard errors; `twosample`: two recordings held against each other.
- `runs`, `limits`: several runs, gates; `multiple`, `counts`: many questions, rare events.
- `warmup`, `drift`, `changepoints`, `rhythm`: what happens within a run; `levels`: how these
  alarms share a budget.
"""

from looptime.stats.changepoints import ChangePoints, change_points, partition
from looptime.stats.counts import binomial_two_sided, rare_upper_bound
from looptime.stats.dither import dither, is_coarse
from looptime.stats.drift import Drift, drift, theil_sen
from looptime.stats.jackknife import Estimate, jackknife
from looptime.stats.levels import ALONE, IN_RUN, Levels
from looptime.stats.limits import (
    Limit,
    Screened,
    extra_variance,
    prediction_limit,
    screen_baseline,
)
from looptime.stats.multiple import benjamini_hochberg, holm
from looptime.stats.quantiles import quantile, quantiles, time_quantiles, worst_mean
from looptime.stats.rhythm import Rhythm, rhythm, rhythms
from looptime.stats.runs import (
    RunDifference,
    RunOrder,
    compare_runs,
    compare_runs_in_order,
    count_scale,
    log_scale,
    order_of_runs,
    resolvable_between_runs,
    runs_to_resolve,
)
from looptime.stats.slow import Events, running_median, stalls
from looptime.stats.statistic import parse_statistic, required_loops
from looptime.stats.twosample import (
    Difference,
    Exceedance,
    Scatter,
    compare_overruns,
    compare_recordings,
    difference,
    exceedance_test,
    usual_scatter,
)
from looptime.stats.warmup import WarmUp, truncation, warm_up

__all__ = [
    "ALONE",
    "IN_RUN",
    "ChangePoints",
    "Difference",
    "Drift",
    "Estimate",
    "Events",
    "Exceedance",
    "Levels",
    "Limit",
    "Rhythm",
    "RunDifference",
    "RunOrder",
    "Scatter",
    "Screened",
    "WarmUp",
    "benjamini_hochberg",
    "binomial_two_sided",
    "change_points",
    "compare_overruns",
    "compare_recordings",
    "compare_runs",
    "compare_runs_in_order",
    "count_scale",
    "difference",
    "dither",
    "drift",
    "exceedance_test",
    "extra_variance",
    "holm",
    "is_coarse",
    "jackknife",
    "log_scale",
    "order_of_runs",
    "parse_statistic",
    "partition",
    "prediction_limit",
    "quantile",
    "quantiles",
    "rare_upper_bound",
    "required_loops",
    "resolvable_between_runs",
    "rhythm",
    "rhythms",
    "running_median",
    "runs_to_resolve",
    "screen_baseline",
    "stalls",
    "theil_sen",
    "time_quantiles",
    "truncation",
    "usual_scatter",
    "warm_up",
    "worst_mean",
]
