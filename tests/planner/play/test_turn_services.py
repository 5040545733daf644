"""A thread that takes turns with the loop, played again: waits by hand, and a plan by simulation.

`simulated` plays both threads from event to event by the lock's one rule, with no code of the
planner: whoever wants the lock gets it when the holder lets it go, or has kept the first who waits
for a switch interval.
"""

import re
from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.thread_rule import ThreadRule
from looptime.planner.changes import parse_all
from looptime.planner.play.draft import known
from looptime.planner.play.replay import play
from looptime.planner.search.candidates import candidates
from tests.build_run import make_run

RULE = ThreadRule("take turns", 5.0, "looptime.toml", True)
KINDS = {"imu.read": "sensor read", "model.step": "compute", "model.check": "compute",
         "drive.write": "actuator write", "screen.draw": "compute",
         "screen.push": "actuator write"}  # fmt: skip
LOOP = (("imu.read", False, 0.7), ("model.step", True, 6.8), ("model.check", True, 3.9),
        ("drive.write", False, 0.6))  # fmt: skip
EPS = 1e-6


class Lane:
    """One thread: what it does by turns, and whether it is on the lock, wants it, or is off it."""

    def __init__(self, who, plan, wakes):
        self.who, self.plan, self.step, self.wakes = who, plan, -1, wakes
        self.left, self.asked, self.begin = 0.0, None, 0.0

    def next(self, now, rng, rows):
        """Begin what comes next; returns whether it keeps the lock."""
        if self.step >= 0 and self.plan[self.step][0]:
            rows.append((self.who, self.plan[self.step][0], self.begin, now))
        self.step, self.begin = (self.step + 1) % len(self.plan), now
        _, computes, took = self.plan[self.step]
        took *= rng.normal(1, 0.03)
        self.left, self.wakes = (took, np.inf) if computes else (0.0, now + took)
        return computes


def simulated(rest, until=12_000.0, switch=5.0):
    """Rows (thread, name, begin, end) [ms] of a loop and of a thread that draws and rests."""
    screen = (("screen.draw", True, 6.0), ("screen.push", False, 4.0), ("", False, rest))
    lanes = [Lane(0, LOOP, 0.0), Lane(1, screen, 0.3)]
    rng, rows, queue, holder, now, handed = np.random.default_rng(4), [], [], None, 0.0, 0.0
    while now < until:
        due = max(handed, queue[0].asked) + switch if queue and holder else np.inf
        ends = now + holder.left if holder else np.inf
        then = min([due, ends, *(lane.wakes for lane in lanes)])
        if holder:
            holder.left -= then - now
        now = then
        for lane in lanes:
            if lane.wakes <= now + EPS:
                lane.wakes, lane.asked = np.inf, now
                queue.append(lane)
        if holder and holder.left <= EPS:
            holder = holder if holder.next(now, rng, rows) else None
        elif holder and queue and now >= max(handed, queue[0].asked) + switch - EPS:
            holder.asked = now
            queue.append(holder)
            holder = None
        if holder is None and queue:
            holder, handed = queue.pop(0), now
    return rows


def as_run(rows):
    """The same as a run of which each loop begins with its read."""
    starts = [r[2] for r in rows if r[1] == "imu.read"]
    calls = [[] for _ in starts]
    for who, name, begin, end in rows:
        k = max(int(np.searchsorted(starts, begin + 1e-6)) - 1, 0)
        calls[k].append((name, begin - starts[k], end - begin, ("main", "screen")[who]))
    return make_run(list(np.diff(starts)), lambda k: calls[k], KINDS)


@pytest.fixture(scope="module")
def logged():
    """A log with a rest of 2 ms, and what it is with 20 ms [ms a loop]."""
    run, other = as_run(simulated(2.0)), as_run(simulated(20.0))
    return run, float(other.loop_columns.period_ns.mean()) / 1e6


def test_services_are_told_from_waits_on_both_sides(logged):
    """Calls of 12 ms a loop, a draw of 6, a push of 4, whatever they waited."""
    at = known(logged[0], threads=RULE)
    loop = at.line.length.sum() / len(at.run) / 1e6
    assert loop == pytest.approx(12.0, abs=0.6)
    (screen,) = at.sharing
    names = [at.run.names[c].name for c in screen.code.tolist()]
    for name, took in (("screen.draw", 6.0), ("screen.push", 4.0)):
        mine = np.array([n == name for n in names])
        assert np.median(screen.service[mine]) / 1e6 == pytest.approx(took, abs=0.5)
        assert screen.computes[mine].all() == (name == "screen.draw")


def test_a_plan_comes_out_as_the_simulation_with_that_rest(logged):
    """Nothing changed, nothing gained; a rest gains what the same threads gain that rest so."""
    run, after = logged
    now = float(run.loop_columns.period_ns.mean()) / 1e6
    at = known(run, threads=RULE)
    same = play(at, parse_all(["scale imu.read by=1"])).mean_ns / 1e6
    rests = play(at, parse_all(["rest screen.draw ms=20"])).mean_ns / 1e6
    assert same == pytest.approx(now, abs=0.06 * now)
    assert rests - now == pytest.approx(after - now, rel=0.2)


def test_a_rest_of_the_thread_that_computes_is_proposed_with_its_cost(logged):
    """First its gain, then at what rate it goes on; not where threads compute at once."""
    at = known(logged[0], threads=RULE)
    made = [c for c in candidates(at)[0] if c.changes[0].startswith("rest screen.draw")]
    assert len(made) == 1
    rest = float(made[0].changes[0].partition("ms=")[2])
    then, now = re.search(r"runs about (\S+) times a second, not (\S+)", made[0].why).groups()
    for said, rests in ((now, 2.0), (then, rest)):  # in two digits
        rounds = sum(name == "screen.draw" for _, name, *_ in simulated(rests)) / 12
        assert float(said) == pytest.approx(rounds, rel=0.1)
    free = replace(known(logged[0], threads=ThreadRule("at once")))
    assert free.turn_ns == 0
    assert all(s.computes is None for s in free.sharing)
