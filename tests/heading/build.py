"""A steady turn, and tables of its errors by age."""

import numpy as np

from looptime.heading.lag_table import make_table
from looptime.heading.lead import NO_LEAD

W = np.radians(180.0)


def table_of(motion, sampling, lead=NO_LEAD, **resolution):
    return make_table(
        motion, lead, float((sampling.latency_s + sampling.hold_s).max()), **resolution
    )
