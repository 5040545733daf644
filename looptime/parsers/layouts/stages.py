"""Layout `stages`: one row is a loop with instants at which its stages begin or end."""

from itertools import pairwise

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError
from looptime.parsers.columns.disorder import disordered
from looptime.parsers.columns.evidence import (
    CLOCK_WORDS,
    NOT_PARTS,
    Marked,
    counts_rows,
    lie_within_loops,
    marked,
    rises,
    scaled,
    shown,
)
from looptime.parsers.columns.headers import LOOP_WORD, Head, roles
from looptime.parsers.columns.judged import understand
from looptime.parsers.columns.laps import wrapping_instants
from looptime.parsers.columns.lexicon import LOOP_NUMBERS
from looptime.parsers.columns.second_clock import keeps_time, names_clock
from looptime.parsers.columns.signals import loops_after
from looptime.parsers.columns.unit import Unit, clock_unit
from looptime.parsers.layouts.contract import (
    Column,
    Content,
    Found,
    Given,
    Layout,
    LoopRows,
    Parts,
    Reading,
    spellings,
)
from looptime.parsers.layouts.each_row import row_limits
from looptime.parsers.layouts.nesting import nest, parents_first
from looptime.parsers.layouts.some_loops import between, thinned
from looptime.parsers.layouts.supposed import row_supposed
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.records import dataclass

__all__ = ["LAYOUT", "Stretch", "stretches"]

#: Column map; a loop's instants are told by their values.
COLUMNS: dict[str, Column] = {
    "loop": Column((*LOOP_NUMBERS, "pass"), "count"),
    "phase": Column(("phase", "mode", "state")),
    "instant": Column((), "time", required=True),
}  # fmt: skip
#: Stems of the instants that bound the whole loop.
LOOP_STEMS = ("", "loop", "cycle", "iteration", "time", "t", "timestamp", "tick", "frame", "ts")
#: Fewest columns, and rows, that show by their order alone that they are instants of loops.
_FEWEST, _ROWS = 3, 20
#: Share of the rows of a mixed log in which instants ascend, and how much of what half of them are
#: spread over a row lasts at most.
_ASCEND, _SHORT = 0.95, 0.2
_DURATIONS = ("total", "dt", "duration", "period", "elapsed", "delta", "took", "interval", "age")


@dataclass(frozen=True)
class Stretch:
    """A stretch between two of a loop's instants: places among them; `last` is -1: the next row."""

    name: str  #: Name of the stage
    #: Where it begins and ends.
    first: int
    last: int


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
    """The parts that the columns play if this is a `stages` log, None if it is not one."""
    given = roles([head for head in found if head.unit is None], spellings(COLUMNS))
    taken = {head.index for head in given.values()}
    candidates = [head for head in found if head.index not in taken and _timed(head, dialect)]
    wrapping = wrapping_instants(candidates, dialect)
    if wrapping:
        return Given(given, {"instant": wrapping})
    instants = [head for head in candidates if _instant(head, dialect)]
    _refuse_disorder(candidates, dialect)
    default = next((head.unit for head in instants if head.unit), None)
    if len(instants) < 2:
        return None
    chain = _chain([h for h in candidates if rises(numbers(dialect, h.index))], dialect)
    if chain:
        return Given(given, {"instant": chain})
    if not asked:
        stages = [h for h in instants if h.word not in CLOCK_WORDS or marked(h).side]
        timed = [h for h in stages if h.unit or marked(h).side]
        if not timed or (len(timed) == 1 and len(instants) > 2):
            return None
        if len(timed) < len(stages):  # values without a unit that merely climb are signals
            # unless they stand between the others' instants, loop by loop, as no other number does
            columns = [scaled(dialect, head, default) for head in timed]
            plain = {
                h.index
                for h in stages
                if h not in timed and not lie_within_loops([*columns, scaled(dialect, h, default)])
            }
            instants = [h for h in instants if h.index not in plain]
            if len(instants) < 2:
                return None
        mine = {h.index for h in instants}
        others = [h for h in candidates if h.index not in mine and h.unit]
        others = [h for h in others if h.word not in NOT_PARTS
                  and not (numbers(dialect, h.index) < 0).any()]  # fmt: skip
        if any(h.word not in _DURATIONS and not marked(h).side for h in others):
            return None
        named = {marked(h).stem.lower() for h in instants} - set(LOOP_STEMS)
        if not named and not any(marked(h).side == "end" for h in instants):
            return None
    bounds = all(marked(h).stem.lower() in LOOP_STEMS for h in instants)
    if bounds and not asked and len(found) > len(instants):
        parts = {h.index for h in understand(found, dialect).parts}
        if parts - {h.index for h in instants}:  # they are its stages
            return None
    within = lie_within_loops([scaled(dialect, head, default) for head in instants])
    if within is False:
        instants, within = _without_host_clock(dialect, instants, default)
    if within is False or (
        within is None and not asked and not any(marked(h).side for h in instants)
    ):
        return None
    every = np.stack([scaled(dialect, head, default) for head in instants])
    middle = np.nanmedian(every - np.fmin.reduce(every), axis=1)  # after the earliest in its row
    order = np.argsort(middle, kind="stable")
    return Given(given, {"instant": tuple(instants[at] for at in order)})


def _chain(rising: list[Head], dialect: Dialect) -> tuple[Head, ...]:
    """Columns whose headers say nothing of time, but whose values go on along the row.

    Three or more columns that ascend in every row, and from its end to the next row, are of one
    clock: numbers of several things drift apart or cross.
    """
    plain = [h for h in rising if not counts_rows(_from_zero(numbers(dialect, h.index)))]
    if any(h.unit for h in plain) or len(plain) < _FEWEST or len(dialect.sample) < _ROWS:
        return ()
    first = marked(plain[0])
    bound = first.side == "begin" and first.stem.lower() in LOOP_STEMS
    if any(marked(h).side for h in plain[bound:-1]):
        return ()
    every = np.stack([numbers(dialect, h.index) for h in plain], axis=1)
    every = every[np.isfinite(every).all(axis=1)]
    along, onward = np.diff(every, axis=1) >= 0, every[1:, 0] >= every[:-1, -1]
    if len(every) < _ROWS or not along.all(axis=1).mean() > 0.99 or not onward.mean() > 0.95:
        return ()
    return tuple(plain) if (np.diff(every, axis=1) > 0).mean() > 0.5 else ()


def _from_zero(values: Float) -> Float:
    return values - values[:1]


def _refuse_disorder(found: list[Head], dialect: Dialect) -> None:
    """Refuse columns that would be instants of loops if the rows stood in the order of time."""
    named = [head for head in found if head.unit or marked(head).side]
    columns = [scaled(dialect, head, None) for head in named]
    wrong = [(column, why) for column in columns if (why := disordered(column))]
    if len(wrong) < 2 or not any(marked(head).side for head in named):
        return
    times = [column for column, _ in wrong]
    every = np.arange(len(times[0]))
    orders = [np.argsort(times[0], kind="stable"), *(every[::k] for k in (2, 3, 4))]
    if _along_rows(times) or any(
        lie_within_loops([column[order] for column in times]) for order in orders
    ):
        raise LogError(f"its times {wrong[0][1]}", line=dialect.header_line or None)


def _along_rows(times: list[Float]) -> bool:
    """Whether instants ascend along their rows, short beside what these are spread over."""
    every = np.stack(times)
    every = every[:, np.isfinite(every).all(axis=0)]
    if not every.size:
        return False
    ascend = (np.diff(every, axis=0) >= 0).all(axis=0)
    low, high = np.quantile(every[0], [0.25, 0.75])
    return bool(ascend.mean() > _ASCEND and np.median(every[-1] - every[0]) < _SHORT * (high - low))


def _without_host_clock(
    dialect: Dialect, instants: list[Head], default: str | None
) -> tuple[list[Head], bool | None]:
    """Leave out one column that tells the time of another clock, where the rest then agree.

    It must go on as the rest do: durations that happen to rise climb by a part of its steps.
    """
    for clock in instants:
        rest = [head for head in instants if head is not clock]
        if len(rest) < 2 or marked(clock).side or not names_clock(clock):
            continue
        columns = [scaled(dialect, head, default) for head in rest]
        within = lie_within_loops(columns)
        in_ns = bool(rest[0].unit or default)
        if within and (not in_ns or keeps_time(dialect, clock, columns[0])):
            return rest, within
    return instants, False


def _timed(head: Head, dialect: Dialect) -> bool:
    if head.word in ("index", "row", "line", "id"):
        return False
    values = numbers(dialect, head.index)
    return bool(len(values)) and float(np.isfinite(values).mean()) > 0.5


def _instant(head: Head, dialect: Dialect) -> bool:
    if head.word in _DURATIONS or head.word in NOT_PARTS:
        return False
    values = numbers(dialect, head.index)
    return rises(values) or len(values) < 3


def stretches(found: list[Head]) -> list[Stretch]:
    """What the instants of a loop, in the order of time, mark off.

    ``x_start`` with ``x_end`` is a stretch from one to the other; ``x_end`` alone began at the
    instant before it; ``x_start`` alone lasts until the instant after it, and where there are
    only such, what passes from the loop's start to the first of them is named by both. A bare name
    is the stretch that ends there if the first instant is the loop's start, else the one that
    begins; where no header says more than a name, nor the first that it is the loop's, both ends
    are named.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> [(s.name, s.first, s.last) for s in stretches(heads(("loop_start", "gyro", "drive")))]
    [('gyro', 0, 1), ('drive', 1, 2)]
    >>> [(s.name, s.first, s.last) for s in stretches(heads(("gyro", "drive")))]
    [('gyro', 0, 1), ('drive', 1, -1)]
    >>> [s.name for s in stretches(heads(("wake", "read", "send", "done")))]
    ['wake to read', 'read to send', 'send to done']
    >>> [s.name for s in stretches(heads(("loop_start", "drive_start", "send_start", "loop_end")))]
    ['loop_start to drive_start', 'drive', 'send']
    >>> names = ("loop_start", "gyro_start", "gyro_end", "loop_end")
    >>> [(s.name, s.first, s.last) for s in stretches(heads(names))]
    [('gyro', 1, 2)]
    """
    marks = [marked(head) for head in found]
    bounds = [mark.stem.lower() in LOOP_STEMS for mark in marks]
    if _only_names(found, marks):
        names = [shown(head) for head in found]
        return [Stretch(f"{a} to {b}", at, at + 1) for at, (a, b) in enumerate(pairwise(names))]
    begins = {mark.stem: at for at, mark in enumerate(marks) if mark.side == "begin"}
    ends = {mark.stem: at for at, mark in enumerate(marks) if mark.side == "end"}
    made = []
    within = {mark.side for mark, bound in zip(marks, bounds, strict=True) if not bound}
    if bounds[0] and within == {"begin"} and not bounds[1]:
        made.append(Stretch(f"{shown(found[0])} to {shown(found[1])}", 0, 1))
    for at, (mark, bound) in enumerate(zip(marks, bounds, strict=True)):
        name = mark.stem if mark.side else shown(found[at])
        if bound:
            continue
        if mark.side == "begin":
            last = ends.get(mark.stem, at + 1 if at + 1 < len(marks) else -1)
            made.append(Stretch(name, at, last))
        elif mark.side == "end" and mark.stem in begins:
            continue
        elif mark.side == "end" or bounds[0]:
            if at:
                made.append(Stretch(name, at - 1, at))
        else:
            made.append(Stretch(name, at, at + 1 if at + 1 < len(marks) else -1))
    return made


def _only_names(found: list[Head], marks: list[Marked]) -> bool:
    """Whether headers name instants and say neither begin nor end, unless the last is the end."""
    sided = any(mark.side for mark in marks[:-1]) or (marks[-1].side and marks[-1].stem)
    plain = not any(head.unit for head in found) or marks[0].stem.lower() not in LOOP_STEMS
    return len(found) >= _FEWEST and not sided and plain


def unit(log: Reading) -> Unit:
    """The unit of the first instant; any of them may name it."""
    instants = log.given.groups["instant"]
    header = next((head.unit for head in instants if head.unit), None)
    return clock_unit(log.dialect, instants[0], header, log.asked, log.source.path)


def rows(content: Content) -> Found:
    """Loops with their instants in order, and the stretches between them."""
    instants, table = content.log.given.groups["instant"], content.table
    columns = list(table.group("instant").values())
    found = _loops(content, np.stack(columns, axis=1), instants)
    notes: tuple[str, ...] = ()
    if found.parts is not None and len(np.unique(found.parts.name)) < len(found.parts.names):
        notes = ("stages that overlap others without lying in them are left out",)
    notes += _shifted(instants)
    ticks = np.concatenate([column[:100_000] for column in columns])
    return Found(found, ticks, notes=notes, limits=row_limits(found, content.log),
                 supposed=row_supposed(found, content.log))  # fmt: skip


def _shifted(instants: tuple[Head, ...]) -> tuple[str, ...]:
    """A caution where the end of a part comes before what is called the start of the loop."""
    marks = [marked(head) for head in instants]
    own = [LOOP_WORD.search(mark.stem.lower()) is not None for mark in marks]
    start = next((k for k, m in enumerate(marks) if own[k] and m.side == "begin"), 0)
    before = [k for k in range(start) if marks[k].side == "end" and not own[k]]
    if not before:
        return ()
    return (
        f"{shown(instants[start])!r} comes after {shown(instants[before[0]])!r} in each row: do "
        "the headers stand over the wrong columns?",
    )


def _loops(content: Content, times: Int, instants: tuple[Head, ...]) -> LoopRows:
    table, outcast, marked_off = content.table, content.outcast, stretches(list(instants))
    first = times[:, 0]
    wrong = (times < first[:, None]).any(axis=1)
    for stretch in marked_off:
        if stretch.last >= 0:
            wrong |= times[:, stretch.last] < times[:, stretch.first]
    outcast.add(np.flatnonzero(wrong), "negative duration")
    row = np.flatnonzero(~wrong)
    over = np.zeros(len(row), bool)
    step = np.diff(first[row])
    over[:-1] = (step > 0) & (times[row].max(axis=1)[:-1] > first[row][1:])
    outcast.add(row[over], "overlaps another call")
    row = row[~over]
    if not len(row):
        raise LogError(
            "holds no loop that can be used: its instants are out of order", content.log.source.path
        )
    times = times[row]
    lost = loops_after(table, row, table.columns, first)
    if wrong.any() or over.any():
        gone = np.append(np.diff(row) > 1, False)
        lost = gone if lost is None else lost | gone
    number = table.columns.get("loop")
    if number is not None:
        extent = times.max(axis=1) - times[:, 0]
        every = between(number[row], times[:, 0], extent, content.log.source.path)
        if every > 1:  # what lasts until the next loop is not known
            within = [stretch for stretch in marked_off if stretch.last >= 0]
            found = LoopRows(row, times[:, 0], parts=_parts(times, times[:, 0], within))
            return thinned(content, found, number[row], every)
    following = np.append(times[1:, 0], times[-1:, -1])
    if lost is not None:
        following[lost] = times[lost].max(axis=1)
    body = None
    last = marked(instants[-1])
    if last.side == "end" and last.stem.lower() in LOOP_STEMS:
        body = times[:, -1] - times[:, 0]
    return LoopRows(
        row, times[:, 0], parts=_parts(times, following, marked_off), body=body, lost=lost,
        said="the first instants of the rows",
    )  # fmt: skip


def _parts(times: Int, following: Int, marked_off: list[Stretch]) -> Parts | None:
    """The stretches of every loop, nested where one lies in another."""
    if not marked_off:
        return None
    loops, count = len(times), len(marked_off)
    begin = np.stack([times[:, s.first] for s in marked_off], axis=1) - times[:, :1]
    end = np.stack([following if s.last < 0 else times[:, s.last] for s in marked_off], axis=1)
    end = np.maximum(end - times[:, :1], begin)
    # loops are set apart for the search, so that nothing lies in another loop's stretch
    base = np.cumsum(end.max(axis=1) + 1)[:, None] - end.max(axis=1)[:, None] - 1
    start, stop = (begin + base).ravel(), (end + base).ravel()
    loop = np.repeat(np.arange(loops), count)
    name = np.tile(np.arange(count, dtype=np.int32), loops)
    order = parents_first(start, stop)
    if order is not None:
        start, stop, loop, name = start[order], stop[order], loop[order], name[order]
    found = nest(start, stop)
    good = ~found.overlaps
    origin = base.ravel()[loop]
    return Parts(
        loop[good], name[good], (start - origin)[good], (stop - start)[good],
        found.self_ns[good], found.depth[good], [s.name for s in marked_off],
    )  # fmt: skip


LAYOUT = Layout(
    "stages", "each row a loop with instants", COLUMNS, fit, unit, rows, clock="instant",
    swaps=False,  # a second clock tells one instant a loop: the stages stay on their own
    unwraps=True, signals=True, beats=("stamps",),
)  # fmt: skip
