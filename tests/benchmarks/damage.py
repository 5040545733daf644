"""What becomes of damaged logs, in numbers: right figures, cautions, refusals, and none in silence.

Run it as ``python tests/benchmarks/damage.py [--examples N] [--first SEED] [--only KIND]``. There
are three kinds, N examples of each: damage of known truth (``planned``: `tests.properties.semantic`
and `devices`, kind after kind, layout after layout), mishaps that nobody planned (``unplanned``:
`tests.properties.mutated`), and commands with options that nobody meant on such logs
(``commands``: `tests.properties.commands`). It prints a table of the outcomes by kind of damage,
every fault with the seed that makes it again, the longest times and the memory; ctrl-c ends it
early.
The aims: no wrong figure in silence, no traceback, no library's warning, no refusal of two lines,
no log of up to 3 MB that takes more than 5 s of processor time (a command: 10 s), at most 1 GB.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.properties.commands import command_line, fault, furnished
from tests.properties.mutated import mutated
from tests.properties.semantic import DAMAGES, SHAPES, judge, make
from tests.properties.test_semantic import UNTOLD, outcome, seeded

LONGEST_S = 5.0
INTERRUPTED = 130


def planned(count: int, first: int, path: Path) -> Iterator[tuple[str, str, Callable[[], str]]]:
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
            path.write_text(damaged.text(), encoding="utf-8")
            yield name, f"{name} {shape} {seed}", lambda log=damaged: judge(log, path).kind
        seed += 1


def unplanned(count: int, first: int, path: Path) -> Iterator[tuple[str, str, Callable[[], str]]]:
    """Mishaps."""
    for seed in range(first, first + count):
        path.write_bytes(mutated(seeded("mutated", seed))[0])
        yield "mutated", f"mutated {seed}", lambda: _line(outcome(path))


def commands(count: int, first: int, path: Path) -> Iterator[tuple[str, str, Callable[[], str]]]:
    """Commands, five on each pair of logs."""
    folder = path.parent / "robot"
    folder.mkdir(exist_ok=True)
    for seed in range(first, first + count):
        rng = seeded("command", seed)
        if seed == first or seed % 5 == 0:
            furnished(folder, rng)
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


KINDS = (planned, unplanned, commands)


def main() -> int:
    """Run the examples and print what became of them; 1 where an aim was missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--examples", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=100_000, help="seed of the first example")
    parser.add_argument("--only", choices=[kind.__name__ for kind in KINDS])
    asked = parser.parse_args()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background, too
    done = Done()
    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as folder, contextlib.suppress(KeyboardInterrupt):
        for cases in KINDS:
            if asked.only in (None, cases.__name__):
                for kind, again, judged in cases(
                    asked.examples, asked.first, Path(folder) / "log.csv"
                ):
                    done.play(kind, again, judged, 2 if cases is commands else 1)
    return done.show()


class Done:
    """What became of the examples so far."""

    def __init__(self) -> None:
        self.table: dict[str, collections.Counter[str]] = collections.defaultdict(
            collections.Counter
        )
        self.faults: list[str] = []
        self.slow: list[tuple[float, str]] = []

    def play(self, kind: str, again: str, judged: Callable[[], str], times: int) -> None:
        """Judge one example, which may take so many times the usual time."""
        begun = time.process_time()
        try:
            found = judged()
        except Exception as error:
            where = traceback.extract_tb(error.__traceback__)[-1]
            found, what = "traceback", f"{type(error).__name__} {error} {where.name}"
            self.faults.append(f"{found}: {again}: {what}:{where.lineno}")
        self.table[kind][found] += 1
        self.slow.append(((time.process_time() - begun) / times, again))
        if found in ("silent", "two lines"):
            self.faults.append(f"{found}: {again}")
        if self.faults and self.faults[-1].split(": ")[1] == again:
            print(self.faults[-1], file=sys.stderr, flush=True)

    def show(self) -> int:
        """Print the table; 1 where an aim was missed."""
        outcomes = sorted({outcome for counts in self.table.values() for outcome in counts})
        print(f"{'damage':28}" + "".join(f"{name:>10}" for name in outcomes))
        for kind, counts in self.table.items():
            print(f"{kind:28}" + "".join(f"{counts[name] or '':>10}" for name in outcomes))
        print(*self.faults[:50], sep="\n")
        longest = sorted(self.slow, reverse=True)[:3]
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print("longest: " + "; ".join(f"{seconds:.1f} s {again}" for seconds, again in longest))
        print(f"{len(self.slow):,} examples, {len(self.faults)} faults, {memory:.0f} MB at most")
        return 1 if self.faults or longest[0][0] > LONGEST_S or memory > 1024 else 0


if __name__ == "__main__":
    raise SystemExit(main())
