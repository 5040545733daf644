"""Statistics on plain arrays: nothing here knows of runs, calls or files.

Only NumPy is used. Values may be in any unit unless a name says which.
One module a topic:

- `quantiles`, `dither`, `statistic`: figures of a run; `outliers`: stalls.
- `jackknife`: their standard errors; `twosample`: two recordings held against each other.
- `between_runs`, `prediction_limits`: several runs, gates; `multiple`, `counts`: many questions,
  rare events.
- `settling`, `slope`, `changepoints`, `mechanism`, `recurrence_test`: what happens within a run;
  `levels`: how these alarms share a budget.

Names are imported from these modules, so that a command loads no more of them than it uses.
"""
