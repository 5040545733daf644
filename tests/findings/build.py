"""Runs to find things in."""

import numpy as np

from looptime.findings import summarise
from tests.build_run import make_flat_run


def codes(run, **options):
    """Codes of the findings in order."""
    return [f.code for f in summarise(run, **options).findings]


def even_run(n=4000, seed=1):
    """Loops of 10 ms with a little noise."""
    rng = np.random.default_rng(seed)
    return make_flat_run((10e6 * np.exp(rng.normal(0, 0.04, n))).astype(np.int64))
