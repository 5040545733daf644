"""Logs whose loops are known, damage whose effect is known, and whether what is read stands it."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

import looptime
from looptime.errors import LooptimeError
from looptime.findings import summarise
from looptime.parsers.log import Log

Rows = list[list[str]]
Rng = np.random.Generator


@dataclass(frozen=True)
class Made:
    """A log with its truth.

    Parameters
    ----------
    layout : str
        Name of the shape, `SHAPES`' key.
    header, rows : list
        Cells as text.
    instants : tuple of int
        Columns that hold instants.
    scale : float
        Units of those columns in a microsecond.
    digits : int
        Decimals printed of them.
    spans : tuple of int
        Columns that hold durations.
    block : int
        Rows of one loop.
    period_ms : float array
        Of every whole loop.
    lengths_ms : float array, shape (loops, parts)
        Self time of every part, where the layout has parts.
    numbered : bool
        Whether loops or rows are numbered.
    spoil : function, optional
        What becomes of the file's bytes once they are written.
    written : function, optional
        What a row becomes in the file; else cells between commas.
    names : tuple of str
        What the log calls the parts.
    clock_set : bool
        Whether somebody sets the clock ahead: where no part tells it from a stall, the answer asks.
    """

    layout: str
    header: list[str]
    rows: Rows
    instants: tuple[int, ...]
    scale: float
    digits: int
    spans: tuple[int, ...]
    block: int
    period_ms: NDArray[np.float64]
    lengths_ms: NDArray[np.float64]
    numbered: bool
    spoil: Callable[[bytes], bytes] = bytes
    written: Callable[[list[str]], str] | None = None
    names: tuple[str, ...] = ()
    clock_set: bool = False

    @property
    def parts_ms(self) -> dict[str, float]:
        """Mean self time of every part."""
        return dict(zip(self.names or PARTS, self.lengths_ms.mean(axis=0).tolist(), strict=False))

    def text(self) -> str:
        """The log as it stands in a file."""
        if self.written is not None:
            head = [self.header] if self.header else []
            return "".join(self.written(row) + "\n" for row in (*head, *self.rows))
        if self.layout in ("values pairs", "values objects", "values lines"):
            return "".join(_said(self, row) + "\n" for row in self.rows)
        return "".join(",".join(row) + "\n" for row in (self.header, *self.rows))

    def data(self) -> bytes:
        """The bytes of the file."""
        return self.spoil(self.text().encode())


def _said(made: Made, row: list[str]) -> str:
    """A row as a line that names its values; other rows than the first ones as they are."""
    if len(row) != len(made.header):
        return ",".join(row)
    if made.layout == "values objects":
        own = (f'"{name}": {cell}' for name, cell in zip(made.header, row, strict=True))
        return "{" + ", ".join(own) + "}"
    if made.layout == "values lines":
        return f"[{row[0]} us] {row[1][:-3]}: {row[2]} us"
    stamp, *parts = zip(made.header, row, strict=True)
    return f"[{stamp[1]} us] " + " ".join(f"{name[:-3]}={cell}us" for name, cell in parts)


#: How far loops that are paced come from their tick.
_PACED_US = 20
PARTS = ("gyro.read", "drive.read", "odometry", "drive.write")


def robot(rng: Rng, loops: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts of loops and lengths of four parts [us], with a stall or two."""
    pace = float(rng.choice([4.0, 8.0, 15.0]))
    parts = np.stack(
        [rng.gamma(60, share * pace * 1000 / 60, loops) for share in (0.15, 0.2, 0.3, 0.12)], axis=1
    ).astype(np.int64)
    slow = rng.random(loops) < 0.01
    parts[slow, 1] += rng.integers(5000, 60_000, int(slow.sum()))
    rest = rng.integers(100, 400, loops)
    period = parts.sum(axis=1) + rest
    if rng.random() < 0.4:  # paced
        period = np.maximum(period, int(pace * 1000) + rng.integers(-20, 20, loops))
    start = np.concatenate([[0], np.cumsum(period)]) + int(rng.choice([0, 1_234_567]))
    return start, parts


def stamped_when_done(
    start: NDArray[np.int64], parts: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Periods [ms] and parts [us] of loops of which each part is stamped when it is over.

    Loops that are paced begin at their ticks; of others the first that is known is the first end.
    """
    step = np.diff(start)
    if np.median(np.abs(step - np.median(step))) <= _PACED_US:
        return np.diff(start[:-1]) / 1000, parts[:-1]
    return np.diff(start[:-1] + parts.sum(axis=1)) / 1000, parts[1:]


def make(shape: str, rng: Rng, loops: int = 400) -> Made:
    """A log of one of `SHAPES`, or by one of `HANDS`."""
    if shape in HANDS:
        return HANDS[shape](rng, loops)
    start, parts = robot(rng, loops)
    layout, _, option = shape.partition(" ")
    numbered = option in ("numbered", "loop row last")
    header, rows, block = _WRITERS[layout](start, parts, option)
    instants, spans = _COLUMNS[layout]
    if layout in ("calls", "edges") and option:
        shift = 1 if layout == "edges" or option != "numbered" else 2
        shift = header.index("start_us" if layout == "calls" else "time_us") - instants[0]
        instants, spans = tuple(c + shift for c in instants), tuple(c + shift for c in spans)
    if option in ("pairs", "objects", "events"):
        instants, spans = _COLUMNS["costs" if option != "events" else "edges"]
    if option == "numbered" and layout in ("stages", "costs", "stamps", "totals", "values"):
        instants, spans = tuple(c + 1 for c in instants), tuple(c + 1 for c in spans)
    period = np.diff(start) / 1000
    if layout in ("totals", "sections"):
        period = parts.sum(axis=1) / 1000
    if shape == "values lines":
        period, parts = stamped_when_done(start, parts)
    return Made(
        shape, header, [[str(cell) for cell in row] for row in rows], instants, 1.0, 0, spans,
        block, period, parts[:, : 0 if layout == "stamps" else None] / 1000, numbered,
    )  # fmt: skip


def _calls(start: Any, parts: Any, option: str) -> tuple[list[str], list[Any], int]:
    rows: list[Any] = []
    for k, row in enumerate(parts.tolist()):
        at = int(start[k])
        one = []
        for name, length in zip(PARTS, row, strict=True):
            one.append([name, at, length])
            at += length + 5
        if option == "loop row last":
            one.append(["loop", int(start[k]), int(start[k + 1] - start[k])])
        if option:
            one = [[k, k * len(one) + j, *cells] for j, cells in enumerate(one)]
        rows += one
    head = ["name", "start_us", "duration_us"]
    return (["loop", "seq", *head] if option else head), rows, 4 + (option == "loop row last")


def _edges(start: Any, parts: Any, option: str) -> tuple[list[str], list[Any], int]:
    rows: list[Any] = []
    for k, row in enumerate(parts.tolist()):
        at = int(start[k])
        for name, length in zip(PARTS, row, strict=True):
            rows += [[at, name, "begin"], [at + length, name, "end"]]
            at += length + 5
    if option:
        rows = [[j, *cells] for j, cells in enumerate(rows)]
    head = ["time_us", "name", "edge"]
    return (["seq", *head] if option else head), rows, 8


def _stages(start: Any, parts: Any, option: str) -> tuple[list[str], list[Any], int]:
    ends = start[:-1, None] + np.cumsum(parts, axis=1)
    rows = np.column_stack([start[:-1], ends]).tolist()
    head = ["loop_start_us", *(f"{name}_end_us" for name in PARTS)]
    return _numbered(head, rows, option)


def _costs(start: Any, parts: Any, option: str) -> tuple[list[str], list[Any], int]:
    rows = np.column_stack([start[:-1], parts]).tolist()
    return _numbered(["time_us", *(f"{name}_us" for name in PARTS)], rows, option)


def _totals(start: Any, parts: Any, option: str) -> tuple[list[str], list[Any], int]:
    rows = np.column_stack([parts, parts.sum(axis=1)]).tolist()
    return _numbered([*(f"{name}_us" for name in PARTS), "total_us"], rows, option)


def _sections(start: Any, parts: Any, option: str) -> tuple[list[str], list[Any], int]:
    rows = [[n, d] for row in parts.tolist() for n, d in zip(PARTS, row, strict=True)]
    return ["section", "duration_us"], rows, len(PARTS)


def _stamps(start: Any, parts: Any, option: str) -> tuple[list[str], list[Any], int]:
    turn = np.round(90 + 0.1 * np.arange(len(parts)), 1)
    return _numbered(
        ["time_us", "heading"], [[t, h] for t, h in zip(start[:-1], turn, strict=True)], option
    )


def _values(start: Any, parts: Any, option: str) -> tuple[list[str], list[Any], int]:
    if option in ("pairs", "objects"):
        return _costs(start, parts, "")
    head = ["time_us", "key", "value"]
    if option == "events":
        rows = []
        for k, row in enumerate(parts.tolist()):
            at = int(start[k])
            rows.append([at, "loop start"])
            for name, length in zip(PARTS, row, strict=True):
                at += length
                rows.append([at, f"{name} done"])
        return head[:2], rows, 1 + len(PARTS)
    rows = []
    for k, row in enumerate(parts.tolist()):
        at = np.full(len(PARTS), start[k])
        if option == "lines":  # each is written when its part is over
            at += np.cumsum(row)
        rows += [[t, f"{n}_us", d] for t, n, d in zip(at.tolist(), PARTS, row, strict=True)]
        if option == "whole":
            rows.append([int(start[k]), "loop_us", int(start[k + 1] - start[k])])
    block = len(PARTS) + (option == "whole")
    if option == "numbered":
        return ["loop", *head], [[j // block, *row] for j, row in enumerate(rows)], block
    return head, rows, block


def _numbered(head: list[str], rows: list[Any], option: str) -> tuple[list[str], list[Any], int]:
    if option == "numbered":
        return ["loop", *head], [[k, *row] for k, row in enumerate(rows)], 1
    return head, rows, 1


_WRITERS: dict[str, Callable[..., tuple[list[str], list[Any], int]]] = {
    "calls": _calls, "edges": _edges, "stages": _stages, "costs": _costs, "totals": _totals,
    "sections": _sections, "stamps": _stamps, "values": _values,
}  # fmt: skip
#: Columns of instants and of durations.
_COLUMNS: dict[str, tuple[tuple[int, ...], tuple[int, ...]]] = {
    "calls": ((1,), (2,)), "edges": ((0,), ()), "stages": ((0, 1, 2, 3, 4), ()),
    "costs": ((0,), (1, 2, 3, 4)), "totals": ((), (0, 1, 2, 3)), "sections": ((), (1,)),
    "stamps": ((0,), ()), "values": ((0,), (2,)),
}  # fmt: skip
SHAPES = (
    "calls", "calls numbered", "calls loop row last", "edges", "edges numbered", "stages",
    "stages numbered", "costs", "costs numbered", "totals", "totals numbered", "sections",
    "stamps", "stamps numbered", "values long", "values numbered", "values pairs", "values objects",
    "values events", "values lines", "values whole",
)  # fmt: skip

#: Writers of logs in other layouts, by their names.
HANDS: dict[str, Callable[[Rng, int], Made]] = {}
Damage = Callable[[Made, Rng], Made | None]
DAMAGES: dict[str, Damage] = {}


def damage(make_: Damage) -> Damage:
    """Enter a kind of damage under its name."""
    DAMAGES[make_.__name__] = make_
    return make_


def moved(made: Made, change: Callable[[int], int], low: int = 0) -> Made | None:
    """Instants of the rows from one on changed."""
    if not made.instants:
        return None
    rows = [list(row) for row in made.rows]
    for row in rows[low:]:
        for column in made.instants:
            row[column] = str(change(int(row[column])))
    return replace(made, rows=rows)


@damage
def rows_twice(made: Made, rng: Rng) -> Made:
    """A share of the rows written twice."""
    share = float(rng.choice([0.02, 0.08, 0.2, 0.5, 1.0]))
    twice = rng.random(len(made.rows)) < share
    return replace(
        made, rows=[r for row, two in zip(made.rows, twice, strict=True) for r in [row] * (1 + two)]
    )


@damage
def two_logs_line_by_line(made: Made, rng: Rng) -> Made | None:
    """Another log of the same kind between the lines of this one."""
    other = make(made.layout, rng, len(made.rows) // made.block)
    rows = [row for pair in zip(made.rows, other.rows, strict=False) for row in pair]
    return replace(made, rows=rows)


@damage
def shuffled(made: Made, rng: Rng) -> Made:
    """The rows in any order."""
    return replace(made, rows=[made.rows[k] for k in rng.permutation(len(made.rows))])


@damage
def newest_first(made: Made, rng: Rng) -> Made:
    """The rows the other way round."""
    return replace(made, rows=made.rows[::-1])


@damage
def one_long_duration(made: Made, rng: Rng) -> Made | None:
    """One duration too long by some powers of ten."""
    if not made.spans:
        return None
    rows = [list(row) for row in made.rows]
    at, column = int(rng.integers(5, len(rows) - 5)), int(rng.choice(made.spans))
    rows[at][column] += "0" * int(rng.choice([3, 4, 6, 9]))
    return replace(made, rows=rows)


@damage
def rows_lost(made: Made, rng: Rng) -> Made | None:
    """Rows lost here and there, which their numbers tell."""
    if not made.numbered:
        return None
    if rng.random() < 0.5:
        every = int(rng.choice([7, 11, 31]))
        kept = [row for at, row in enumerate(made.rows) if at % every != every - 1]
    else:
        kept = [row for row in made.rows if rng.random() > 0.02]
    return replace(made, rows=kept)


@damage
def a_gap(made: Made, rng: Rng) -> Made | None:
    """A stretch of rows lost, which their numbers tell."""
    if not made.numbered:
        return None
    at, count = int(rng.integers(10, len(made.rows) // 2)), int(rng.integers(3, 200))
    count = min(count, len(made.rows) - at - 10)  # an end cut off is told by nothing
    return replace(made, rows=made.rows[:at] + made.rows[at + count :])


@damage
def counter_wraps(made: Made, rng: Rng) -> Made | None:
    """The clock's counter begins at zero again and again."""
    if not made.instants:
        return None
    span = int(made.rows[-1][made.instants[0]]) - int(made.rows[0][made.instants[0]])
    longest = 1000 * float(made.period_ms.max())
    learned = int(rng.uniform(0.2, 0.7) * span)
    choices = [m for m in (2**16, 2**20, 2**24, 2**32, learned, learned) if m > 2.5 * longest]
    modulus = int(rng.choice(choices))
    first = int(rng.integers(0, modulus))
    if modulus > 1.2 * span:
        first = modulus - int(rng.uniform(0.1, 0.9) * span)
    return moved(made, lambda at: (at + first) % modulus)


@damage
def block_pasted(made: Made, rng: Rng) -> Made:
    """A block from elsewhere in the log, whole or cut in mid-loop, stands in it again."""
    count = min(int(rng.choice([40, 100, 300])), len(made.rows) // 4)
    low = int(rng.integers(0, len(made.rows) // 2 - count))
    at = int(rng.integers(low + count, len(made.rows) - 10))
    if rng.random() < 0.4:
        at = low + count
    if rng.random() < 0.5:
        low, count, at = (v // made.block * made.block for v in (low, count, at))
    rows = made.rows
    return replace(made, rows=rows[:at] + rows[low : low + count] + rows[at:])


@damage
def begun_again(made: Made, rng: Rng) -> Made | None:
    """Another recording of the same robot after this one; its numbers and clock begin anew."""
    other = make(made.layout, rng, int(0.4 * len(made.rows)) // made.block)
    if not made.instants and not made.numbered:
        return None
    if made.instants and not made.numbered:  # a clock that goes on is that of a stall
        column = made.instants[0]
        if int(other.rows[0][column]) >= int(made.rows[-1][column]):
            return None
    return replace(made, rows=made.rows + other.rows)


@damage
def clock_set_ahead(made: Made, rng: Rng) -> Made | None:
    """From one loop on, the clock is ahead by some seconds."""
    low = int(rng.integers(20, 300)) * made.block
    ahead = int(rng.choice([2_000_000, 3_600_000_000, 10**12]))
    return moved(made, lambda at: at + ahead, low)


@damage
def clock_set_back(made: Made, rng: Rng) -> Made | None:
    """From one loop on, the clock is behind by some seconds."""
    low = int(rng.integers(20, 300)) * made.block
    back = int(rng.choice([50_000, 500_000, 2_000_000]))
    return moved(made, lambda at: max(at - back, 0), low) if low > 0 else None


@damage
def two_rows_change_places(made: Made, rng: Rng) -> Made:
    """Two neighbouring rows in the wrong order."""
    rows, at = list(made.rows), int(rng.integers(5, len(made.rows) - 5))
    rows[at], rows[at + 1] = rows[at + 1], rows[at]
    return replace(made, rows=rows)


@damage
def two_loops_change_places(made: Made, rng: Rng) -> Made:
    """Two loops far apart in each other's place."""
    loops = len(made.rows) // made.block
    one, two = sorted(rng.choice(np.arange(5, loops - 5), 2, replace=False).tolist())
    cut = [made.rows[k * made.block : (k + 1) * made.block] for k in range(loops)]
    cut[one], cut[two] = cut[two], cut[one]
    return replace(made, rows=[row for loop in cut for row in loop])


@damage
def one_digit_wrong(made: Made, rng: Rng) -> Made | None:
    """One digit of one instant replaced by another."""
    if not made.instants:
        return None
    rows = [list(row) for row in made.rows]
    at, column = int(rng.integers(5, len(rows) - 5)), made.instants[0]
    cell = rows[at][column]
    place = int(rng.integers(0, max(1, len(cell) - 4)))
    digit = str((int(cell[place]) + int(rng.integers(1, 10))) % 10)
    rows[at][column] = cell[:place] + digit + cell[place + 1 :]
    return replace(made, rows=rows)


@dataclass(frozen=True)
class Outcome:
    """What became of a damaged log: ``right``, ``said``, ``refused`` or ``silent``."""

    kind: str
    text: str


#: Reasons that any log may have at its ends.
_USUAL = ("unfinished last loop", "before first loop", "first interval")


def judge(made: Made, path: str, usual: Collection[str] = ()) -> Outcome:
    """Read the log at `path`: right figures, a caution, or one line that refuses it.

    `usual` are cautions that tell nothing of the damage, as they stand with the sound log, too.
    """
    try:
        log = looptime.read_log(path, cache=False)
    except LooptimeError as error:
        said = str(error)
        return Outcome("silent" if "\n" in said else "refused", said.split(": ", 1)[-1])
    run = max(log.runs, key=len)
    # a first loop whose parts alone tell its length is none of those that are known here
    from_parts = len(run) == len(made.period_ms) + 1
    period = run.loop_columns.period_ns[int(from_parts) :] / 1e6
    # the last loop of most layouts has no end
    true = made.period_ms[:-1] if len(run) == len(made.period_ms) - 1 else made.period_ms
    figures = [
        (f(period), f(true)) for f in (np.mean, np.median, lambda v: np.quantile(v, 0.98), np.max)
    ]
    slack = (0.02, 0.02, 0.1, 0.1)
    off = [abs(a / b - 1) - s for (a, b), s in zip(figures, slack, strict=True)]
    pieces = run.self_pieces()
    lengths = made.lengths_ms[: len(true)]
    parts = dict(zip(made.names or PARTS, lengths.mean(axis=0).tolist(), strict=False))
    for code, name in enumerate(run.names):
        if name.name in parts:
            mine = (pieces.name == code) & (pieces.loop >= int(from_parts))
            mean = pieces.self_ns[mine].sum() / 1e6 / len(period)
            off.append(abs(mean / parts[name.name] - 1) - 0.1)
    few = len(run) < 0.85 * len(made.period_ms)
    found = cautions(log, float(np.median(true)))
    text = (
        " ".join(f"{a:.3f}/{b:.3f}" for a, b in figures)
        + f" n {len(run)}/{len(made.period_ms)} worst {max(off):+.2f} {'; '.join(found)[:300]}"
    )
    if max(off) <= 0 and not few:
        return Outcome("right", text)
    none = {"no clock in the log: loops are laid one after another", *usual}
    none |= {n for n in run.clock.notes if "the sum of" in n or "at the end of their loops" in n}
    asks = made.clock_set and any("its clock was set" in f.text for f in summarise(run).findings)
    return Outcome("said" if asks or set(found) - none else "silent", text)


def cautions(log: Log, typical_ms: float) -> list[str]:
    """All that is said of a log that may be a caution about its figures."""
    run = max(log.runs, key=len)
    told = [*run.clock.notes, *map(str, run.clock.jumps), *map(str, run.clock.wraps)]
    told += [f"{n} {reason}" for reason, n in log.rows_by_reason.items() if reason not in _USUAL]
    told += [f"{len(log.runs)} runs"] if len(log.runs) > 1 else []
    aside = log.rows_read - log.rows_used
    told += [f"{aside} rows set aside"] if aside > 0.1 * log.rows_read else []
    told += ["one loop in several"] if run.averaged else []
    doubts = ("lengths are whole", "outside every call", "can't be told")
    told += [limit for limit in run.clock.limits if any(doubt in limit for doubt in doubts)]
    tick = run.clock.tick_ns / 1e6  # what is finer than that is said to be unknown
    return told + ([f"tick {tick} ms"] if tick > 0.05 * typical_ms else [])
