"""Threads on an interpreter's one lock, tick by tick: plain, slow, with no code of the planner."""

import numpy as np

from tests.build_run import make_run

TICK_MS = 0.02
GAP_MS = 0.06  # between calls, and after the last
KINDS = {"r": "sensor read", "w": "actuator write", "p": "compute", "x": "other"}


def recording(parts, loops=150, cpu=True, seed=1):
    """A loop of `parts` (name, ms) one after the other; ``p...`` computes, all else blocks."""
    factor = np.exp(np.random.default_rng(seed).normal(0, 0.05, (loops, len(parts))))
    took = np.array([ms for _, ms in parts]) * factor

    def calls(i):
        ends = np.cumsum(took[i] + GAP_MS) - GAP_MS
        return [(n, e - ms, ms) for (n, _), e, ms in zip(parts, ends, took[i], strict=True)]

    names = {}
    for n, _ in parts:
        names[n] = {"kind": KINDS[n[0]], "bus": None if n[0] in "px" else f"bus {n}"}
    share = {n: 1.0 if n[0] == "p" else 0.05 for n, _ in parts} if cpu else None
    periods = (took + GAP_MS).sum(axis=1)
    return make_run(periods, calls, names, cpu_share=share), took


class _Thread:
    """Steps (computes?, ms), one after the other; those that compute need the lock."""

    def __init__(self, steps, again=False):
        self.steps, self.again, self.at = steps, again, 0
        self.computes, self.left = steps[0]

    @property
    def over(self):
        return self.at >= len(self.steps)

    def tick(self):
        """Go on by a tick; what the last step was too short for counts for the next."""
        self.left -= TICK_MS
        while self.left <= 0 and not self.over:
            was, self.at = self.computes, self.at + 1
            if self.over and self.again:
                self.at = 0
            if self.over:
                return
            self.computes, ms = self.steps[self.at]
            self.left += ms
            if was != self.computes:
                return


def simulated(parts, took, moved, rest_ms, switch_ms, holder_counts):
    """Mean period once a thread computes the part `moved`, with a rest after each [ms]."""
    mine = next(j for j, (name, _) in enumerate(parts) if name == moved)
    # what stays of the loop keeps the gap before the part that is gone
    steps = []
    for row in took:
        for j, (name, _) in enumerate(parts):
            steps += [(name[0] == "p", row[j])] if name != moved else []
            steps.append((True, GAP_MS))
    own = [s for row in took for s in ((False, rest_ms), (True, row[mine]))]
    loop, thread = _Thread(steps), _Thread(own, again=True)
    owner, ticks, since = None, 0, 0  # since when the owner has it, or the other waits
    waited = 0
    while not loop.over:
        ticks += 1
        for one in (loop, thread):
            if not one.computes or owner is one:
                one.tick()
        if owner is not None and (owner.over or not owner.computes):
            owner = None
        for one in (loop, thread):
            if one.over or not one.computes or owner is one:
                continue
            if owner is None:
                owner, since, waited = one, ticks, 0
                continue
            waited += 1
            slice_over = (ticks - since) * TICK_MS % switch_ms < TICK_MS / 2 and ticks > since
            if slice_over if holder_counts else waited * TICK_MS >= switch_ms:
                owner, since, waited = one, ticks, 0
                break
    return ticks * TICK_MS / len(took)
