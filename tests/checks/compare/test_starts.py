"""Sides of which one begins slowly: said with what the cut leaves out."""

import re

import numpy as np
import pytest

from looptime.checks.compare.compare import compare
from looptime.checks.compare.starts import unlike_cuts
from looptime.checks.recording.facts import Facts
from looptime.checks.recording.recording import Settings
from tests.build_run import make_flat_run


def run(seed, slow_ms=0.0, cools=False, seconds=2.0):
    """2500 loops of 12 ms: 4 of a read, 8 of a drive; a scan in the first seconds of some."""
    draw = np.random.default_rng(seed)
    read, drive = draw.normal(4, 0.1, 2500), draw.normal(8, 0.2, 2500)
    when = np.cumsum(read + drive) / 1e3
    scan = slow_ms * (np.exp(-when / seconds) if cools else (when < seconds))
    made = {"read": read, "drive": drive, "scan": np.where(scan > 0.001, scan, 0.001)}
    parts = {name: (own * 1e6).astype(np.int64) for name, own in made.items()}
    return make_flat_run(sum(parts.values()), parts, {"drive": "other", "scan": "other"})


def said(before, after, settings=None):
    found = compare(before, after, settings=settings or Settings())
    return [u.text for u in found.unlike if u.what == "warmup"]


@pytest.mark.parametrize("cools", [True, False])
@pytest.mark.parametrize("turned", [False, True])
def test_a_slow_start_of_one_side_alone_is_said_with_its_call(cools, turned):
    sides = [[run(1)], [run(2, 6.0, cools)]]
    (text,) = said(*(sides[::-1] if turned else sides))
    assert f"only the side {'before' if turned else 'after'!r} begins with a warm-up" in text
    assert "mostly scan" in text
    assert "--keep-warmup" in text
    if not cools:  # 12 ms beside 18 until it ends
        levels = [float(one) for one in re.findall(r"([\d.]+) ms (?:before|after)", text)]
        assert levels == pytest.approx([18, 12] if turned else [12, 18], abs=1)


def test_alike_starts_are_no_difference():
    assert not said([run(1)], [run(2)])
    assert not said([run(1, 6.0)], [run(2, 6.0)])
    assert not said([run(1), run(3, 6.0)], [run(2, 6.0), run(4, 6.0)])
    assert not said([run(1)], [run(2, 6.0)], Settings(keep_warmup=True))


def test_stored_runs_tell_by_their_cut():
    """In a check against a baseline nothing but the cut is known of it."""
    new, old, kept = (Facts(cut_s=cut) for cut in (4.2, 1.0, 0.0))
    assert "4.2 s of the new runs" in unlike_cuts([new], [old, old])[0]
    assert "hold their warm-up" in unlike_cuts([new], [kept])[0]
    assert not unlike_cuts([old], [new])  # both settled
    assert not unlike_cuts([old], [old])
