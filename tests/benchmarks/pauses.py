"""Pauses from outside and long turns of the calls' own: which of them is said, how often?

Run ``python -m tests.benchmarks.pauses --logs 8`` for the table. Planted are pauses that strike
calls by the time they take, at random or at even intervals beside short tails of the calls' own,
and rare long turns that go with the call: up to twice its length, exponential, lognormal, of heavy
tail, of a height of its own, or as long in each call.
"""

import argparse
from collections import Counter

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.call_costs import costs
from looptime.analysers.recurs import recurs
from looptime.analysers.slow import slow_events
from looptime.planner.play.draft import known
from looptime.run import Run
from tests.build_run import make_flat_run

__all__ = ["HELD_OUT", "OWN", "SHAPES", "planned_with", "planted", "source"]

#: Lengths of the calls of a loop [ms]; the second half was not looked at while the test was made.
SHAPES = (
    (1.1, 3.0, 2.0), (1.0, 1.0, 1.0, 1.0), (0.2, 2.0, 5.0, 1.5), (1.3, 1.2, 2.0, 2.2, 1.3, 1.0),
    (0.05, 0.4, 3.0, 6.0),
)  # fmt: skip
HELD_OUT = (
    (0.7, 0.9, 4.0), (2.0, 2.2), (0.1, 0.1, 0.3, 8.0), (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5),
    (12.0, 3.0, 5.0),
)  # fmt: skip
OWN = ("up to twice", "exponential", "lognormal", "heavy tail", "height of its own", "same height")


def parts(rng: np.random.Generator, lengths: tuple[float, ...], jitter: float, gap: float) -> dict:
    """Calls of a loop with common and own scatter [ms], and ``rest``, what no call covers."""
    n = int(rng.choice([1700, 6000, 12_000]))
    level = np.exp(rng.normal(0, 0.04, n))
    made = {f"c{k}": ms * level * np.exp(rng.normal(0, jitter, n)) for k, ms in enumerate(lengths)}
    made["rest"] = gap * sum(lengths) * level * np.exp(rng.normal(0, max(jitter, 0.1), n))
    return made


def strike(rng: np.random.Generator, made: dict, scatter: float, even: bool = False) -> None:
    """Pauses of one height that strike whatever is running, at random or at even intervals."""
    names, loop = list(made), np.sum(list(made.values()), axis=0)
    height = rng.choice([0.5, 1.0, 3.0]) * float(np.median(loop))
    count = int(rng.choice([12, 40, 100]))
    hit = rng.choice(len(loop), count, replace=False)
    if even:
        hit = (len(loop) * (np.arange(count) + 0.5 + rng.normal(0, 0.15, count)) / count).astype(
            int
        )
        for name in [name for name in made if name != "rest"]:
            tails = rng.exponential(0.06 * float(np.median(loop)), len(loop))
            made[name] += np.where(rng.random(len(loop)) < 0.004, tails, 0)
    for k in hit.clip(0, len(loop) - 1):
        weights = np.array([made[name][k] for name in names])
        struck = names[rng.choice(len(names), p=weights / weights.sum())]
        made[struck][k] += height * np.exp(rng.normal(0, scatter))


def lengthen(rng: np.random.Generator, made: dict, kind: str) -> None:
    """Rare long turns of each call by itself."""
    loop = float(np.median(np.sum(list(made.values()), axis=0)))
    rate = rng.choice([0.004, 0.01])
    for name in [name for name in made if name != "rest"]:
        often = rate * (rng.uniform(0.3, 2) if kind == "height of its own" else 1)
        at = np.flatnonzero(rng.random(len(made[name])) < often)
        near = np.exp(rng.normal(0, 0.15, len(at)))
        if kind == "height of its own":
            made[name][at] += rng.uniform(0.4, 2.5) * loop * near
        elif kind == "same height":
            made[name][at] += 0.8 * loop * near
        else:
            ratio = {
                "up to twice": rng.uniform(0.2, 1, len(at)),
                "exponential": rng.exponential(0.8, len(at)),
                "lognormal": rng.lognormal(0, 0.6, len(at)),
                "heavy tail": 0.3 * (1 + rng.pareto(1.8, len(at))),
            }[kind]
            made[name][at] *= 1 + ratio


def planted(kind: str, lengths: tuple[float, ...], seed: int) -> Run:
    """Pauses (``outside 0.2``, ``even 0.2``: their scatter) or long turns of one of `OWN`."""
    rng = np.random.default_rng([seed, len(lengths), int(100 * lengths[0])])
    made = parts(rng, lengths, rng.choice([0.02, 0.05, 0.08]), rng.choice([0.01, 0.05, 0.15]))
    if kind.startswith(("outside", "even")):
        strike(rng, made, float(kind.split()[1]), kind.startswith("even"))
    else:
        lengthen(rng, made, kind)
    made = {name: (1e6 * ms).astype(np.int64) for name, ms in made.items()}
    period = np.sum(list(made.values()), axis=0)
    made.pop("rest")
    return make_flat_run(period, made)


def source(run: Run) -> str | None:
    """The source of the pauses that are told, None where none are."""
    basis = prepare(run)
    slow = slow_events(basis)
    found = recurs(basis, costs(basis, slow.is_slow), slow).pauses
    return found and found.source


def planned_with(run: Run) -> str:
    """What plans are played with: the program's pauses, the calls' own turns, or both."""
    found = known(run).rhythms.pauses
    return "both" if not found.sure else "outside" if len(found) else "own"


def main() -> None:
    """Print how often each is said, for the shapes looked at and for those held out."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--logs", type=int, default=8, help="logs of each kind and shape")
    logs = options.parse_args().logs
    print(
        f"{'planted':22}{'shapes':10}{'logs':>6}{'outside':>9}{'own':>6}{'several':>9}{'?':>6}{'nothing':>9}"
        f"{'plans: outside':>18}{'own':>6}{'both':>6}"
    )
    for kind in ("outside 0.2", "outside 0.6", "even 0.2", *OWN):
        for label, shapes in (("seen", SHAPES), ("held out", HELD_OUT)):
            runs = [planted(kind, s, k) for s in shapes for k in range(logs)]
            said, plans = Counter(map(source, runs)), Counter(map(planned_with, runs))
            counts = [said[what] for what in ("outside", "own", "several", "", None)]
            print(
                f"{kind:22}{label:10}{sum(counts):>6}"
                + "{:>9}{:>6}{:>9}{:>6}{:>9}".format(*counts)
                + "{:>18}{:>6}{:>6}".format(*(plans[what] for what in ("outside", "own", "both")))
            )


if __name__ == "__main__":
    main()
