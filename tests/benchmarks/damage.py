"""What becomes of damaged logs, in numbers: right figures, cautions, refusals, and none in silence.

Run it as ``python -m tests.benchmarks.damage [--examples N] [--first SEED] [--only KIND]``. There
are four kinds, N examples of each: damage of known truth (``planned``: `tests.properties.semantic`
and `devices`, kind after kind, layout after layout; ``strange``: some of it done to logs as other
people write them, `tests.properties.foreign`), mishaps that nobody planned (``unplanned``:
`tests.properties.mutated`), and commands with options that nobody meant on such logs
(``commands``: `tests.properties.commands`). It prints a table of the outcomes by kind of damage,
every fault with the seed that makes it again, the longest times and the memory; ctrl-c ends it
early. Examples are played in a process of their own, which cannot take more than 4 GB or 60 s of
processor time for one: where it does, the next example is played in another one.
The aims: no wrong figure in silence, no traceback, no library's warning, no refusal of two lines,
no log of up to 3 MB that takes more than 5 s of processor time (a command: 10 s), at most 1 GB.
"""

import argparse
import collections
import contextlib
import itertools
import multiprocessing
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from tests.properties.commands import command_line, fault, furnished
from tests.properties.foreign import DAMAGE, judge_beside
from tests.properties.mutated import mutated
from tests.properties.semantic import DAMAGES, HANDS, SHAPES, judge, make
from tests.properties.test_semantic import UNTOLD, outcome, seeded

LONGEST_S = 5.0
MOST_MB = 1024
#: What no example can exceed.
LIMIT_BYTES = 4 << 30
LIMIT_S = 60
#: For one that waits and does nothing, on a machine that has much else to do.
PATIENCE_S = 900
INTERRUPTED = 130
FORK = multiprocessing.get_context("fork")  # nothing is played, so no thread runs, where it forks
#: Kind of damage, what makes the example again, and what judges it.
Examples = Iterator[tuple[str, str, Callable[[], str]]]
Cases = Callable[[int, int, Path], Examples]


def planned(count: int, first: int, path: Path) -> Examples:
    """Damage of known truth: its kind, what makes it again, and what judges it."""
    cases = [(name, shape) for name in DAMAGES for shape in SHAPES if (name, shape) not in UNTOLD]
    made = 0
    seed = first
    while made < count:
        for name, shape in cases:
            rng = seeded(name, shape, seed)
            damaged = DAMAGES[name](make(shape, rng, 300), rng)
            if damaged is None or made >= count:
                continue
            made += 1
            path.write_bytes(damaged.data())
            yield name, f"{name} {shape} {seed}", lambda log=damaged: judge(log, path).kind
        seed += 1


def strange(count: int, first: int, path: Path) -> Examples:
    """The commonest damage done to logs in other people's hands."""
    made = 0
    for seed in itertools.count(first):
        for name, hand in itertools.product(DAMAGE, HANDS):
            rng = seeded(name, hand, seed)
            sound = make(hand, rng, 300)
            damaged = DAMAGES[name](sound, rng)
            if damaged is None:
                continue
            if made == count:
                return
            made += 1
            yield (
                f"strange {name}",
                f"{name} {hand} {seed}",
                lambda sound=sound, log=damaged: judge_beside(sound, log, path).kind,
            )


def unplanned(count: int, first: int, path: Path) -> Examples:
    """Mishaps."""
    for seed in range(first, first + count):
        path.write_bytes(mutated(seeded("mutated", seed))[0])
        yield "mutated", f"mutated {seed}", lambda: _line(outcome(path))


def commands(count: int, first: int, path: Path) -> Examples:
    """Commands, five on each pair of logs."""
    folder = path.parent / "robot"
    folder.mkdir(exist_ok=True)
    for seed in range(first, first + count):
        rng = seeded("command", seed)
        if seed == first or seed % 5 == 0:
            furnished(folder, seeded("folder", seed // 5))
        words = command_line(rng)
        yield (
            f"command {words[0]}",
            f"command {seed} {words}",
            lambda words=words: _exit(words, folder),
        )


def _exit(words: list[str], folder: Path) -> str:
    code, wrong = fault(words, folder)
    if code == INTERRUPTED:  # the command took the ctrl-c that was meant for this program
        raise KeyboardInterrupt
    if wrong:
        raise AssertionError(wrong)
    return f"exit {code}"


def _line(said: str) -> str:
    if any(mark in said for mark in "\n\r\x1b"):
        return "two lines"
    return "refused" if said else "sound"


KINDS = (planned, strange, unplanned, commands)


def main() -> int:
    """Run the examples and print what became of them; 1 where an aim was missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--examples", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=100_000, help="seed of the first example")
    parser.add_argument("--only", choices=[kind.__name__ for kind in KINDS])
    asked = parser.parse_args()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background, too
    done = Done()
    with contextlib.suppress(KeyboardInterrupt):
        for cases in KINDS:
            if asked.only in (None, cases.__name__):
                for found in bounded(cases, asked.examples, asked.first):
                    done.add(found)
    return done.show()


@dataclass(frozen=True)
class Played:
    """One example: what it was, what makes it again, its outcome, what is wrong, its cost."""

    kind: str
    again: str
    outcome: str
    wrong: str = ""
    seconds: float = 0.0
    megabytes: float = 0.0


def bounded(cases: Cases, count: int, first: int) -> Iterator[Played]:
    """The examples, each played where it can take no more than its share of memory and time."""
    made = 0
    while made < count:
        ours, theirs = multiprocessing.Pipe(duplex=False)
        player = FORK.Process(target=_play, args=(theirs, cases, count, first, made))
        player.start()
        theirs.close()
        begun: tuple[str, str] | None = None
        try:
            while ours.poll(PATIENCE_S) and (told := ours.recv()) is not None:
                if isinstance(told, tuple):
                    begun = told
                    continue
                begun = None
                made += 1
                yield told
                if told.megabytes > MOST_MB:  # the next one begins with little
                    break
            else:
                if begun is None:
                    return
                made += 1
                yield Played(*begun, "no end", f"no answer in {PATIENCE_S} s", PATIENCE_S)
        except EOFError:
            player.join()
            made += 1
            yield Played(*(begun or ("", "")), "no end", f"died with {player.exitcode}")
        finally:
            player.kill()
            player.join()


def _play(to: Connection, cases: Cases, count: int, first: int, skipped: int) -> None:
    """Play the examples from one on; tell of each before and after."""
    resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))
    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as folder, contextlib.suppress(KeyboardInterrupt):
        examples = cases(count, first, Path(folder) / "log.csv")
        for kind, again, judged in itertools.islice(examples, skipped, None):
            to.send((kind, again))
            used = int(time.process_time())
            resource.setrlimit(resource.RLIMIT_CPU, (used + LIMIT_S, resource.RLIM_INFINITY))
            to.send(_played(kind, again, judged, 2 if cases is commands else 1))
        to.send(None)


def _played(kind: str, again: str, judged: Callable[[], str], times: int) -> Played:
    """Judge one example, which may take so many times the usual time."""
    begun, wrong = time.process_time(), ""
    try:
        found = judged()
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        found = "traceback"
        wrong = f"{type(error).__name__} {error} {where.name}:{where.lineno}"
    if found in ("silent", "two lines"):
        wrong = found
    seconds = (time.process_time() - begun) / times
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    if seconds > LONGEST_S or megabytes > MOST_MB:
        wrong += f" {seconds:.1f} s, {megabytes:.0f} MB"
    return Played(kind, again, found, wrong, seconds, megabytes)


class Done:
    """What became of the examples so far."""

    def __init__(self) -> None:
        self.table: dict[str, collections.Counter[str]] = collections.defaultdict(
            collections.Counter
        )
        self.played: list[Played] = []

    def add(self, one: Played) -> None:
        """Count one example, and tell of it at once where something is wrong."""
        self.table[one.kind][one.outcome] += 1
        self.played.append(one)
        if one.wrong:
            print(f"{one.outcome}: {one.again}: {one.wrong}", file=sys.stderr, flush=True)

    def show(self) -> int:
        """Print the table; 1 where an aim was missed."""
        outcomes = sorted({outcome for counts in self.table.values() for outcome in counts})
        print(f"{'damage':28}" + "".join(f"{name:>10}" for name in outcomes))
        for kind, counts in self.table.items():
            print(f"{kind:28}" + "".join(f"{counts[name] or '':>10}" for name in outcomes))
        faults = [one for one in self.played if one.wrong]
        print(*(f"{one.outcome}: {one.again}: {one.wrong}" for one in faults[:50]), sep="\n")
        longest = sorted(self.played, key=lambda one: -one.seconds)[:3]
        memory = max((one.megabytes for one in self.played), default=0)
        print("longest: " + "; ".join(f"{one.seconds:.1f} s {one.again}" for one in longest))
        print(f"{len(self.played):,} examples, {len(faults)} faults, {memory:.0f} MB at most")
        return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
