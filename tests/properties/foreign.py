"""Logs as other people write them: other columns, words, units, lines, with the truth in them.

Rows hold whole microseconds, as every other log of these tests does, so that damage is done alike;
what stands in the file is made of them row by row.
"""

import contextlib
import json
from collections.abc import Callable

import numpy as np

import looptime
from looptime.errors import LooptimeError
from tests.properties.semantic import (
    HANDS,
    Made,
    Outcome,
    Rng,
    cautions,
    judge,
    robot,
    stamped_when_done,
)  # fmt: skip

#: Damage that every one of these logs is put to.
DAMAGE = (
    "rows_twice", "two_logs_line_by_line", "shuffled", "newest_first", "two_rows_change_places",
    "one_long_duration", "rows_lost", "a_gap", "begun_again", "counter_wraps",
    "counter_of_a_round_number", "block_pasted", "a_block_written_twice", "clock_set_ahead",
    "clock_set_ahead_a_little", "two_logs_anyhow", "rows_again_later", "rows_many_times",
    "a_stretch_turned",
)  # fmt: skip
_Hand = Callable[[Rng, int], Made]


def hand(write: _Hand) -> _Hand:
    """Enter a writer under its name."""
    HANDS[write.__name__] = write
    return write


def judge_beside(sound: Made, damaged: Made, path: str) -> Outcome:
    """As `judge`, but what is said of the sound log, too, is no caution about the damage."""
    with open(path, "wb") as file:
        file.write(sound.data())
    usual: list[str] = []
    with contextlib.suppress(LooptimeError):
        log = looptime.read_log(path, cache=False)
        usual = cautions(log, float(np.median(sound.period_ms)))
    with open(path, "wb") as file:
        file.write(damaged.data())
    return judge(damaged, path, usual)


def _num(cell: str, of: float, digits: int) -> str:
    """Microseconds as a number of a larger unit; what is no number stays."""
    try:
        return f"{int(cell) / of:.{digits}f}"
    except ValueError:
        return cell


def ms(cell: str) -> str:
    """Microseconds as milliseconds with three digits."""
    return _num(cell, 1000, 3)


def seconds(cell: str) -> str:
    """Microseconds as seconds with six digits."""
    return _num(cell, 1e6, 6)


def _made(
    name: str, rng: Rng, loops: int, rows: Callable[..., list[list[object]]],
    written: Callable[[list[str]], str], names: tuple[str, ...], header: list[str],
    instants: tuple[int, ...], spans: tuple[int, ...], *, block: int = 1, numbered: bool = True,
    period: str = "clock",
) -> Made:  # fmt: skip
    start, parts = robot(rng, loops)
    length, own = np.diff(start) / 1000, parts
    if period == "parts":
        length = parts.sum(axis=1) / 1000
    elif period == "end":
        length, own = stamped_when_done(start, parts)
    made = [[str(cell) for cell in row] for row in rows(start, parts, rng)]
    return Made(
        name, header, made, instants, 1.0, 0, spans, block, length, own / 1000, numbered,
        written=written, names=names,
    )  # fmt: skip


def _is_head(row: list[str]) -> bool:
    return not any(cell.lstrip("-").isdigit() for cell in row)


def _ends(start: np.ndarray, parts: np.ndarray) -> np.ndarray:
    return start[:-1, None] + np.cumsum(parts, axis=1)


@hand
def begin_and_end_side_by_side(rng: Rng, loops: int) -> Made:
    """A row a loop between semicolons: number, start, and both instants of each part."""
    names = ("imu", "wheels", "pose", "drive")

    def rows(start: np.ndarray, parts: np.ndarray, _: Rng) -> list[list[object]]:
        end = _ends(start, parts)
        pairs = np.stack([end - parts, end], axis=2).reshape(len(parts), -1)
        return np.column_stack([np.arange(len(parts)), start[:-1], pairs]).tolist()

    head = ["cycle", "start_us", *(f"{n}_{e}_us" for n in names for e in ("begin", "end"))]
    return _made("begin_and_end_side_by_side", rng, loops, rows, ";".join, names, head,
                 tuple(range(1, 10)), ())  # fmt: skip


def _costs(start: np.ndarray, parts: np.ndarray, _: Rng) -> list[list[object]]:
    return np.column_stack([np.arange(len(parts)), start[:-1], parts]).tolist()


def _bare(start: np.ndarray, parts: np.ndarray, _: Rng) -> list[list[object]]:
    return np.column_stack([np.arange(len(parts)), parts]).tolist()


def _each(start: np.ndarray, parts: np.ndarray, names: tuple[str, ...]) -> list[list[object]]:
    end = _ends(start, parts)
    return [[k, int(end[k, j]), name, int(parts[k, j])]
            for k in range(len(parts)) for j, name in enumerate(names)]  # fmt: skip


@hand
def decimal_commas(rng: Rng, loops: int) -> Made:
    """A table from a spreadsheet: tabs, decimal commas, units in brackets."""
    names = ("Kreisel", "Geber", "Lage", "Antrieb")

    def written(row: list[str]) -> str:
        if _is_head(row):
            return "\t".join(row)
        return "\t".join([row[0], *(ms(cell).replace(".", ",") for cell in row[1:])])

    head = ["Nr", "Zeit [ms]", *(f"{name} [ms]" for name in names)]
    return _made("decimal_commas", rng, loops, _costs, written, names, head, (1,), (2, 3, 4, 5))


@hand
def lengths_with_their_period(rng: Rng, loops: int) -> Made:
    """A row a loop: its lengths and, behind them, that of the whole loop."""
    names = ("sense", "fuse", "plan", "move")

    def rows(start: np.ndarray, parts: np.ndarray, _: Rng) -> list[list[object]]:
        return np.column_stack([np.arange(len(parts)), start[:-1], parts, np.diff(start)]).tolist()

    head = ["seq", "t_us", *(f"{name}_us" for name in names), "period_us"]
    return _made("lengths_with_their_period", rng, loops, rows, ",".join, names, head, (1,),
                 (2, 3, 4, 5, 6))  # fmt: skip


def _in_ms(names: tuple[str, ...], cells: list[str]) -> str:
    return " ".join(f"{n}={ms(c)}ms" for n, c in zip(names, cells, strict=False))


@hand
def key_and_value(rng: Rng, loops: int) -> Made:
    """A print a loop, its clock in seconds."""
    names = ("gyro", "enc", "odo", "mot")

    def written(row: list[str]) -> str:
        return f"[{seconds(row[1])}] cycle={row[0]} {_in_ms(names, row[2:])}"

    return _made("key_and_value", rng, loops, _costs, written, names, [], (1,), (2, 3, 4, 5))


@hand
def key_and_value_without_clock(rng: Rng, loops: int) -> Made:
    """A print a loop, numbered, with what each part took."""
    names = ("gyro", "enc", "odo", "mot")

    def written(row: list[str]) -> str:
        return f"cycle={row[0]} {_in_ms(names, row[1:])}"

    return _made("key_and_value_without_clock", rng, loops, _bare, written, names, [], (),
                 (1, 2, 3, 4), period="parts")  # fmt: skip


@hand
def nested_objects(rng: Rng, loops: int) -> Made:
    """An object a line, the lengths in one of their own."""
    names = ("imu", "encoders", "estimate", "actuate")

    def written(row: list[str]) -> str:
        took = ", ".join(f'"{n}": {c}' for n, c in zip(names, row[2:], strict=False))
        return f'{{"i": {row[0]}, "clock": {{"us": {row[1]}}}, "took_us": {{{took}}}}}'

    return _made("nested_objects", rng, loops, _costs, written, names, [], (1,), (2, 3, 4, 5))


@hand
def objects_without_clock(rng: Rng, loops: int) -> Made:
    """An object a line with a number and lengths in ms."""
    names = ("imu", "encoders", "estimate", "actuate")

    def written(row: list[str]) -> str:
        return json.dumps({"loop": int(row[0]), **{f"{n}_ms": int(c) / 1000 for n, c in
                           zip(names, row[1:], strict=False)}})  # fmt: skip

    return _made("objects_without_clock", rng, loops, _bare, written, names, [], (), (1, 2, 3, 4),
                 period="parts")  # fmt: skip


@hand
def one_sentence_a_loop(rng: Rng, loops: int) -> Made:
    """A line of prose a loop."""
    names = ("gyro", "encoders", "odometry", "motors")

    def written(row: list[str]) -> str:
        told = ", ".join(f"{n} {ms(c)} ms" for n, c in zip(names, row[2:], strict=False))
        return f"[{seconds(row[1])}] carrier: pass {row[0]}: {told}"

    return _made("one_sentence_a_loop", rng, loops, _costs, written, names, [], (1,), (2, 3, 4, 5))


@hand
def one_sentence_a_part(rng: Rng, loops: int) -> Made:
    """A line of prose when each part is over."""
    names = ("gyro read", "encoder read", "odometry", "motor write")

    def rows(start: np.ndarray, parts: np.ndarray, _: Rng) -> list[list[object]]:
        return _each(start, parts, names)

    def written(row: list[str]) -> str:
        return f"{seconds(row[1])} INFO [main] loop {row[0]}: {row[2]} took {ms(row[3])} ms"

    return _made("one_sentence_a_part", rng, loops, rows, written, names, [], (1,), (3,), block=4,
                 period="end")  # fmt: skip


def _other_thread(start: np.ndarray, rng: Rng, pace_us: int = 33_000) -> list[tuple[int, int]]:
    """Starts and lengths of what another thread does at a pace of its own."""
    at = np.arange(int(start[0]) + 700, int(start[-1]) - pace_us, pace_us)
    begin = at + rng.integers(0, 900, len(at))
    return list(zip(begin.tolist(), rng.integers(3000, 9000, len(at)).tolist(), strict=True))


@hand
def edges_of_two_tasks(rng: Rng, loops: int) -> Made:
    """Begin and end between bars, with the task that writes them."""
    names = ("gyro", "wheels", "pose", "drive")

    def rows(start: np.ndarray, parts: np.ndarray, rng: Rng) -> list[list[object]]:
        found: list[tuple[int, str, str, str]] = []
        for k, row in enumerate(parts.tolist()):
            at = int(start[k])
            for name, length in zip(names, row, strict=True):
                found += [(at, "control", name, "enter"), (at + length, "control", name, "leave")]
                at += length + 5
        for at, length in _other_thread(start, rng):
            found += [(at, "camera", "grab", "enter"), (at + length, "camera", "grab", "leave")]
        found.sort(key=lambda one: one[0])
        return [[k, *one] for k, one in enumerate(found)]

    head = ["seq", "micros", "task", "section", "what"]
    return _made("edges_of_two_tasks", rng, loops, rows, "|".join, names, head, (1,), (), block=8)


@hand
def calls_of_two_threads(rng: Rng, loops: int) -> Made:
    """Calls with thread, start and length."""
    names = ("readGyro", "readWheels", "updatePose", "writeDrive")

    def rows(start: np.ndarray, parts: np.ndarray, rng: Rng) -> list[list[object]]:
        found: list[tuple[int, int, str, str]] = []
        for k, row in enumerate(parts.tolist()):
            at = int(start[k])
            for name, length in zip(names, row, strict=True):
                found.append((at, length, "main", name))
                at += length + 5
        found += [(at, length, "vision", "grabFrame") for at, length in _other_thread(start, rng)]
        return [[k, thread, name, at, length]
                for k, (at, length, thread, name) in enumerate(sorted(found))]  # fmt: skip

    head = ["n", "thread", "function", "begin_us", "took_us"]
    return _made("calls_of_two_threads", rng, loops, rows, ",".join, names, head, (3,), (4,),
                 block=4)  # fmt: skip


@hand
def fixed_width(rng: Rng, loops: int) -> Made:
    """A table whose columns are set right, below their names."""
    names = ("gyro", "encs", "odom", "mots")

    def written(row: list[str]) -> str:
        if _is_head(row):
            return f"{row[0]:>7}{row[1]:>14}" + "".join(f"{name:>9}" for name in row[2:])
        return f"{row[0]:>7}{ms(row[1]):>14}" + "".join(f"{ms(cell):>9}" for cell in row[2:])

    return _made("fixed_width", rng, loops, _costs, written, names, ["loop", "t_ms", *names], (1,),
                 (2, 3, 4, 5))  # fmt: skip


@hand
def fixed_width_without_clock(rng: Rng, loops: int) -> Made:
    """A table of numbered loops whose lengths are set right, below names with a unit."""
    names = ("gyro", "encs", "odom", "mots")

    def written(row: list[str]) -> str:
        cells = row[1:] if _is_head(row) else [ms(cell) for cell in row[1:]]
        return f"{row[0]:>7}" + "".join(f"{cell:>10}" for cell in cells)

    return _made("fixed_width_without_clock", rng, loops, _bare, written, names,
                 ["loop", *(f"{name}_ms" for name in names)], (), (1, 2, 3, 4),
                 period="parts")  # fmt: skip


@hand
def a_part_a_row_without_clock(rng: Rng, loops: int) -> Made:
    """A row a part: number of the loop, name, length."""
    names = ("gyro.get", "wheel.get", "pose.fuse", "motor.set")

    def rows(start: np.ndarray, parts: np.ndarray, _: Rng) -> list[list[object]]:
        return [[k, name, n] for k, _, name, n in _each(start, parts, names)]

    return _made("a_part_a_row_without_clock", rng, loops, rows, ",".join, names,
                 ["iteration", "part", "us"], (), (2,), block=4, period="parts")  # fmt: skip


@hand
def dated_sentences(rng: Rng, loops: int) -> Made:
    """A line a loop, dated to the microsecond."""
    names = ("gyro", "encoders", "odometry", "motors")

    def written(row: list[str]) -> str:
        told = " ".join(f"{n}:{ms(c)}" for n, c in zip(names, row[2:], strict=False))
        at = np.datetime64("2026-05-02T09:00:00", "us") + np.timedelta64(int(row[1]), "us")
        return f"{str(at).replace('T', ' ')} main #{row[0]} took(ms) {told}"

    return _made("dated_sentences", rng, loops, _costs, written, names, [], (1,), (2, 3, 4, 5),
                 numbered=False)  # fmt: skip
