"""A loop and other threads on shared locks, played event by event: plain and slow on purpose.

Nothing here is taken from the analysers, so that what they say can be held against it.
"""

import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from looptime.run import Run
from tests.build_run import make_run

__all__ = ["Job", "Played", "play"]


@dataclass
class Job:
    """One call of a thread's round: it asks `gap_ms` after the last one, waits, and is served.

    `lock` None: it waits for nobody. `tail_ms`: the row goes on after the lock was let go.
    """

    name: str
    service_ms: float
    lock: str | None = None
    gap_ms: float = 0.01
    tail_ms: float = 0.0


@dataclass
class Played:
    """Rows of each thread, and what each call of the loop truly waited [ms]."""

    rows: list[tuple[str, str, float, float, float]] = field(default_factory=list)
    loops: list[float] = field(default_factory=list)

    def run(self) -> Run:
        """The rows as a log would give them; what lies beyond the last loop is left out."""
        starts = np.array(self.loops)
        begin, end = starts[:-1], starts[1:]
        by_loop: dict[int, list] = {}
        for thread, name, ask, done, _ in self.rows:
            k = int(np.searchsorted(begin, ask, "right")) - 1
            if k >= 0 and done < end[-1] - 0.001:
                by_loop.setdefault(k, []).append((name, ask - begin[k], done - ask, thread))
        return make_run((end - begin).tolist(), lambda k: by_loop.get(k, []))

    def wait_ms(self) -> dict[str, float]:
        """True waiting a loop of the loop's calls."""
        made: dict[str, float] = {}
        for thread, name, ask, _, waited in self.rows:
            if thread == "main" and self.loops[0] <= ask < self.loops[-1]:
                made[name] = made.get(name, 0.0) + waited / (len(self.loops) - 1)
        return made


Chance = Callable[[int], float]
Round = Callable[[np.random.Generator], Sequence[Job]]


def play(
    rounds: dict[str, Round],
    loops: int,
    *,
    chance: Chance = lambda lost: 0.0,
    seed: int = 1,
    spread: float = 0.03,
    wake_ms: float = 0.02,
) -> Played:
    """Let threads go round until the one named ``main`` has made its loops.

    Parameters
    ----------
    rounds : dict of str to function
        Of each thread, what gives the jobs of one round.
    loops : int
        Loops that ``main`` makes.
    chance : function of how often the other has lost the lock already
        Chance that a thread which asks again before the other has woken up takes the lock.
    seed : int
        Of all that is random.
    spread : float
        Standard deviation of a service as a share of it.
    wake_ms : float
        From a release until a thread that waited goes on.
    """
    rng = np.random.default_rng(seed)
    made, world = Played(), _World(chance, rng, wake_ms)
    threads = {name: _thread(name, job, rng, spread, made, world) for name, job in rounds.items()}
    for k, name in enumerate(threads):
        world.at(0.37 * k, name)
    while len(made.loops) <= loops:
        now, _, name = heapq.heappop(world.events)
        world.now = now
        next(threads[name], None)
    return made


class _World:
    """The clock, the events to come, and who holds and waits for each lock."""

    def __init__(self, chance: Chance, rng: np.random.Generator, wake_ms: float) -> None:
        self.now, self.events, self.count = 0.0, [], 0
        self.chance, self.rng, self.wake_ms = chance, rng, wake_ms
        self.holder: dict[str, str | None] = {}
        self.queue: dict[str, list[tuple[float, str]]] = {}
        self.promised: dict[str, str] = {}
        self.lost: dict[str, int] = {}

    def at(self, time: float, name: str) -> None:
        self.count += 1
        heapq.heappush(self.events, (time, self.count, name))

    def try_take(self, lock: str, name: str, asked: float) -> bool:
        """Take a free lock; one that is promised to a waiting thread only by chance."""
        if self.holder.get(lock) is not None:
            return False
        heir = self.promised.get(lock)
        if heir not in (None, name):
            if asked < self.now or self.rng.random() >= self.chance(self.lost.get(heir, 0)):
                return False
            self.lost[heir] = self.lost.get(heir, 0) + 1
        self.holder[lock] = name
        self.lost.pop(name, None)
        self.promised.pop(lock, None)
        self.queue[lock] = [w for w in self.queue.get(lock, []) if w[1] != name]
        return True

    def release(self, lock: str) -> None:
        self.holder[lock] = None
        waiting = self.queue.get(lock, [])
        if waiting:
            self.promised[lock] = waiting[0][1]
            self.at(self.now + self.wake_ms, waiting[0][1])


def _thread(
    name: str,
    round_of: Round,
    rng: np.random.Generator,
    spread: float,
    made: Played,
    world: _World,
) -> Iterator[None]:
    """One thread: each `yield` sleeps until its next event."""
    while True:
        if name == "main":
            made.loops.append(world.now)
        for job in round_of(rng):
            world.at(world.now + job.gap_ms, name)
            yield
            asked = begun = world.now
            if job.lock is not None:
                while not world.try_take(job.lock, name, asked):
                    if all(who != name for _, who in world.queue.setdefault(job.lock, [])):
                        world.queue[job.lock].append((asked, name))
                    yield
                begun = world.now
            service = max(job.service_ms * (1 + spread * rng.standard_normal()), 0.005)
            world.at(world.now + service, name)
            yield
            if job.lock is not None:
                world.release(job.lock)
            if job.tail_ms:
                world.at(world.now + job.tail_ms, name)
                yield
            made.rows.append((name, job.name, asked, world.now, begun - asked))
