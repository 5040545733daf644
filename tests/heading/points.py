"""Points of a curve over loop rates, made by hand."""

import numpy as np

from looptime.heading.age_distribution import age_parts
from looptime.heading.curve import CurvePoint, Models, StaleModel, end_rms
from looptime.heading.motion import Steady

W = np.radians(180.0)


STEADY = Models(Steady("", W))


def curve_point(models, sampling, pattern="as recorded"):
    return CurvePoint(
        pattern, sampling.rate_hz, age_parts(sampling).mean_ms,
        StaleModel(models)(sampling, exact=True), end_rms(models, sampling),
    )  # fmt: skip
