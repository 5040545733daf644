"""Damage done by cards, serial lines, spreadsheets and by joining logs."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np

from tests.properties.devices import cells_of, from_a_loop, named_at
from tests.properties.semantic import PARTS, Made, Rng, Rows, damage, make, moved

#: Bytes that a card writes at once.
BLOCK = 512


def spoilt(made: Made, how: Callable[[bytes], bytes]) -> Made | None:
    """The log whose bytes are changed once it is written; None where nothing in it can tell."""
    data = how(made.text().encode())
    return None if reads_on(made, data) else replace(made, spoil=lambda _: data)


def reads_on(made: Made, data: bytes) -> bool:
    """Whether bytes are another sound log of that kind, in which nothing is numbered.

    Two rows run into one, or blocks put elsewhere, may leave rows that follow one another as any
    do: instants that go on, of which one part takes long, or sections in turn, of which each takes
    what it may. Where a row holds the lengths of all parts beside an instant, what no part takes
    tells of it.
    """
    if made.layout not in ("stages", "stamps", "sections"):
        return False
    rows = [line.split(",") for line in data.decode("utf-8", "replace").split("\n")[1:] if line]
    if any(len(row) != len(made.header) or not row[-1].replace(".", "").isdigit() for row in rows):
        return False
    if made.layout == "sections":
        longest = max(int(row[1]) for row in made.rows)
        turn = [PARTS[at % made.block] for at in range(len(rows))]
        return [row[0] for row in rows] == turn and all(int(row[1]) <= longest for row in rows)
    try:
        instants = [int(row[at]) for row in rows for at in made.instants]
    except ValueError:
        return False
    return all(b > a for a, b in pairwise(instants))


def _in_the_middle(data: bytes, rng: Rng, length: int) -> int:
    """A place for `length` bytes that is near no end."""
    return int(rng.integers(len(data) // 5, max(len(data) // 5 + 1, len(data) * 4 // 5 - length)))


@damage
def a_block_of_the_card_empty(made: Made, rng: Rng) -> Made | None:
    """One block of a card or a few hold zeros, or what an erased flash holds."""
    empty = bytes([int(rng.choice([0, 255]))])
    length = BLOCK * int(rng.choice([1, 1, 4]))

    def how(data: bytes) -> bytes:
        at = _in_the_middle(data, rng, length) // BLOCK * BLOCK
        return data[:at] + empty * length + data[at + length :]

    return spoilt(made, how)


@damage
def a_block_of_an_older_log(made: Made, rng: Rng) -> Made | None:
    """One block of a card holds what stood there before: a log of the same kind."""
    older = make(made.layout, rng, len(made.rows) // made.block).data()

    def how(data: bytes) -> bytes:
        at = _in_the_middle(data, rng, BLOCK) // BLOCK * BLOCK
        return data[:at] + older[at : at + BLOCK] + data[at + BLOCK :]

    return spoilt(made, how)


@damage
def blocks_change_places(made: Made, rng: Rng) -> Made | None:
    """Two blocks of a card stand in each other's place."""

    def how(data: bytes) -> bytes:
        count = len(data) // BLOCK
        cut = [data[k * BLOCK : (k + 1) * BLOCK] for k in range(count)]
        at = int(rng.integers(1, count - 2))
        cut[at], cut[at + 1] = cut[at + 1], cut[at]
        return b"".join(cut) + data[count * BLOCK :]

    return spoilt(made, how)


@damage
def bytes_lost_in_the_line(made: Made, rng: Rng) -> Made | None:
    """A buffer ran over now and then: some bytes are missing, and two rows become one."""
    times, length = int(rng.choice([1, 3, 10])), int(rng.choice([16, 64, 200]))

    def how(data: bytes) -> bytes:
        for _ in range(times):
            at = _in_the_middle(data, rng, length)
            data = data[:at] + data[at + length :]
        return data

    return spoilt(made, how)


@damage
def a_byte_lost_now_and_then(made: Made, rng: Rng) -> Made | None:
    """A serial line without check loses single bytes."""

    def how(data: bytes) -> bytes:
        kept = rng.random(len(data)) > 0.0005
        kept[: data.index(b"\n") + 1] = True
        return bytes(np.frombuffer(data, np.uint8)[kept])

    return spoilt(made, how)


@damage
def lines_cut_at_a_width(made: Made, rng: Rng) -> Made | None:
    """What was copied from a terminal ends where its window did."""
    if made.layout.startswith("values"):
        return None
    rows = [(sum(map(len, row[:-1])) + len(row) - 1, len(row[-1])) for row in made.rows]
    width = int(np.quantile([sum(row) for row in rows], float(rng.choice([0.2, 0.5, 0.9]))))
    cut = [before for before, last in rows if before < width < before + last]
    if sum(cut.count(before) >= 30 for before in set(cut)) < 3:
        return None  # where one column alone is cut, its numbers are short and nothing tells

    def how(data: bytes) -> bytes:
        head, *rows = data.split(b"\n")
        return b"\n".join([head, *(row[:width] for row in rows)])

    return spoilt(made, how)


def _in_ms(made: Made, told: Callable[[float], str]) -> Made | None:
    """Lengths in ms, each as `told` writes it."""
    if not made.spans or made.layout in ("values pairs", "values lines"):
        return None
    if named_at(made) is None:
        header = [h[:-2] + "ms" if k in made.spans else h for k, h in enumerate(made.header)]
        changed = made
    elif "value" in made.header:
        column, header = named_at(made), made.header
        assert column is not None
        rows = range(len(made.rows))
        changed = cells_of(made, (column,), lambda c: c[:-2] + "ms", rows)
    else:
        header = [h[:-2] + "ms" if k in made.spans else h for k, h in enumerate(made.header)]
        changed = made
    rows = range(len(made.rows))
    changed = cells_of(changed, made.spans, lambda c: told(int(c) / 1000), rows)
    return replace(changed, header=header)


@damage
def saved_with_another_decimal_mark(made: Made, rng: Rng) -> Made | None:
    """Another country's spreadsheet: decimal commas, between semicolons or between commas."""
    changed = _in_ms(made, lambda ms: f"{ms:.3f}".replace(".", ","))
    if changed is None:
        return None
    mark = str(rng.choice([";", ","]))
    rows = [[mark.join(row)] for row in changed.rows]
    return replace(changed, header=[mark.join(changed.header)], rows=rows)


@damage
def rounded_to_few_digits(made: Made, rng: Rng) -> Made | None:
    """A spreadsheet keeps three digits of every number, or two."""
    digits = int(rng.choice([2, 3]))
    columns = (*made.instants, *made.spans)
    return cells_of(made, columns, lambda c: f"{int(c):.{digits - 1}E}", range(len(made.rows)))


@damage
def lengths_of_few_digits(made: Made, rng: Rng) -> Made | None:
    """Lengths alone are rounded, as a column that was made narrow is saved."""
    written = str(rng.choice(["{:.2g}", "{:.1f}", "{:.0f}", "{:.2f}"]))
    return _in_ms(made, written.format)


@damage
def taken_for_dates(made: Made, rng: Rng) -> Made | None:
    """A spreadsheet made dates of the lengths that look like one."""
    months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]

    def told(ms: float) -> str:
        cell = f"{ms:.2f}"
        month, day = map(int, cell.split("."))
        if 1 <= month <= 12 and 1 <= day <= 31:
            return f"{day:02d}. {months[month - 1]}"
        return cell

    return _in_ms(made, told)


@damage
def shown_as_minutes(made: Made, rng: Rng) -> Made | None:
    """A spreadsheet saves times of day as it shows them: minutes, seconds and a tenth."""
    if not made.instants or made.layout in ("values pairs", "values lines"):
        return None

    def told(cell: str) -> str:
        second = int(cell) / 1e6
        return f"{int(second) // 60 % 60:02d}:{second % 60:04.1f}"

    header = [h[:-3] if k in made.instants else h for k, h in enumerate(made.header)]
    return replace(cells_of(made, made.instants, told, range(len(made.rows))), header=header)


@damage
def several_long_durations(made: Made, rng: Rng) -> Made | None:
    """Six to sixty lengths have digits too many, each others."""
    if not made.spans:
        return None
    rows, column = [list(row) for row in made.rows], int(rng.choice(made.spans))
    for at in rng.choice(np.arange(5, len(rows) - 5), int(rng.choice([6, 12, 60])), False).tolist():
        rows[at][column] += "".join(map(str, rng.integers(0, 10, int(rng.choice([3, 4, 6])))))
    return replace(made, rows=rows)


@damage
def units_beside_numbers(made: Made, rng: Rng) -> Made | None:
    """Each length in the unit that suits it."""
    if not made.spans or made.layout in ("values pairs", "values lines", "values objects"):
        return None

    def told(cell: str) -> str:
        return f"{int(cell) / 1000:.3f} ms" if int(cell) >= 1000 else f"{cell} us"

    return cells_of(made, made.spans, told, range(len(made.rows)))


@damage
def header_now_and_then(made: Made, rng: Rng) -> Made:
    """The header stands again every so many rows."""
    every = int(rng.choice([7, 50, 301]))
    rows: Rows = []
    for at, row in enumerate(made.rows):
        rows += [list(made.header), row] if at and at % every == 0 else [row]
    return replace(made, rows=rows)


@damage
def columns_change_places(made: Made, rng: Rng) -> Made | None:
    """From one loop on two columns of numbers stand in each other's place, under one header."""
    numbers = [c for c in range(len(made.header)) if made.rows[0][c].lstrip("-").isdigit()]
    if len(numbers) < 2:
        return None
    one, two = sorted(rng.choice(numbers, 2, replace=False).tolist())
    rows = [list(row) for row in made.rows]
    for row in rows[from_a_loop(made, rng).start :]:
        row[one], row[two] = row[two], row[one]
    return replace(made, rows=rows)


@damage
def pages_out_of_order(made: Made, rng: Rng) -> Made | None:
    """A memory was read page by page: the newest row of each first, or the newest page."""
    if made.layout in ("sections", "totals"):
        return None  # without a clock and numbers any order may be
    size = int(rng.choice([2, 3, 5, 8, 20, 64]))
    pages = [made.rows[at : at + size] for at in range(0, len(made.rows), size)]
    if rng.random() < 0.5:
        pages = [page[::-1] for page in pages]
    else:
        pages.reverse()
    return replace(made, rows=[row for page in pages for row in page])


@damage
def newest_first_again_and_again(made: Made, rng: Rng) -> Made | None:
    """A view of the last few rows, newest first, was written out over and over."""
    if made.layout in ("sections", "totals"):
        return None
    size = made.block * int(rng.choice([3, 5, 12]))
    return replace(made, rows=made.rows[:size][::-1] * (len(made.rows) // size))


@damage
def sorted_by_a_column(made: Made, rng: Rng) -> Made:
    """A spreadsheet sorted the rows by one of their columns, up or down."""
    column = int(rng.integers(len(made.header)))

    def key(row: list[str]) -> tuple[float, str]:
        cell = row[column]
        return (float(cell), "") if cell.replace(".", "").lstrip("-").isdigit() else (0.0, cell)

    return replace(made, rows=sorted(made.rows, key=key, reverse=bool(rng.random() < 0.3)))


@damage
def sorted_as_text(made: Made, rng: Rng) -> Made | None:
    """Lines sorted letter by letter: 10 before 9, and the header behind all numbers."""

    def how(data: bytes) -> bytes:
        return b"".join(sorted(data.splitlines(keepends=True)))

    return spoilt(made, how)


@damage
def duplicates_removed(made: Made, rng: Rng) -> Made:
    """A spreadsheet removed rows that stand in the log twice."""
    return replace(made, rows=[list(row) for row in dict.fromkeys(map(tuple, made.rows))])


@damage
def merged_by_time(made: Made, rng: Rng) -> Made | None:
    """The rows of another robot's log of the same kind among these, sorted by time."""
    if not made.instants or made.layout == "stamps":
        return None  # of one instant a loop nothing tells whose it is
    other = make(made.layout, rng, len(made.rows) // made.block)
    column = made.instants[0]
    zero = int(made.rows[0][column]) - int(other.rows[0][column]) + int(rng.integers(0, 5000))
    rows = [list(row) for row in other.rows]
    for row in rows:
        for at in made.instants:
            row[at] = str(int(row[at]) + zero)
    both = sorted((*made.rows, *rows), key=lambda row: int(row[column]))
    return replace(made, rows=both)


@damage
def thinned_out(made: Made, rng: Rng) -> Made | None:
    """Only every so many loops are kept, which their numbers tell."""
    if not made.numbered:
        return None
    every = int(rng.choice([2, 3, 10]))
    rows = [row for at, row in enumerate(made.rows) if at // made.block % every == 0]
    return replace(made, rows=rows)


@damage
def on_an_even_grid(made: Made, rng: Rng) -> Made | None:
    """A plotting program exported what was last known, at even distances."""
    if made.block != 1 or len(made.instants) != 1 or (made.layout == "stamps"):
        return None
    column, grid = made.instants[0], int(rng.choice([1000, 5000, 10_000]))
    time = np.array([int(row[column]) for row in made.rows])
    at = np.arange(time[0], time[-1], grid)
    known = np.searchsorted(time, at, "right") - 1
    rows = [list(made.rows[k]) for k in known.tolist()]
    for row, t in zip(rows, at.tolist(), strict=True):
        row[column] = str(t)
    return replace(made, rows=rows)


@damage
def steps_in_place_of_instants(made: Made, rng: Rng) -> Made | None:
    """From one loop on the time since the row before stands in place of the instant."""
    if len(made.instants) != 1 or made.layout.startswith("values"):
        return None
    column, rows = made.instants[0], [list(row) for row in made.rows]
    for at in from_a_loop(made, rng):
        step = int(made.rows[at][column]) - int(made.rows[at - 1][column])
        rows[at][column] = str(step)
    return replace(made, rows=rows)


@damage
def rows_of_a_later_day(made: Made, rng: Rng) -> Made | None:
    """Another recording stands behind this one under a clock that never began anew."""
    if not made.instants:
        return None
    other = make(made.layout, rng, int(0.5 * len(made.rows)) // made.block)
    ahead = int(made.rows[-1][made.instants[-1]]) + int(rng.choice([20, 86_400])) * 1_000_000
    rows = [list(row) for row in other.rows]
    for row in rows:
        for column in made.instants:
            row[column] = str(int(row[column]) + ahead)
    return replace(made, rows=made.rows + rows)


@damage
def stalls_beyond_the_counter_of_lengths(made: Made, rng: Rng) -> Made | None:
    """Lengths begin again at zero in a counter that holds all but those of two stalls or more."""
    if not made.spans or made.layout in ("totals", "totals numbered", "sections"):
        return None  # without a clock one length is as good as the other
    lengths = np.array([[int(row[at]) for at in made.spans] for row in made.rows])
    held = next(2**bits for bits in range(12, 24) if 2**bits > np.quantile(lengths, 0.985))
    if (lengths >= held).sum() < 2:  # what is outside in one loop may be so by chance
        return None
    return cells_of(made, made.spans, lambda c: str(int(c) % held), range(len(made.rows)))


@damage
def counter_of_a_round_number(made: Made, rng: Rng) -> Made | None:
    """The counter of the clock begins at zero after a power of ten, which a stall nearly takes."""
    if not made.instants:
        return None
    least = 1000 * max(1.1 * float(made.period_ms.max()), 5 * float(np.median(made.period_ms)))
    held = next(10**digits for digits in range(4, 9) if 10**digits > least)
    first = int(rng.integers(0, held))
    return moved(made, lambda at: (at + first) % held)


@damage
def two_writers_in_blocks(made: Made, rng: Rng) -> Made | None:
    """Two programs write into one file, each a block at a time, in mid-row."""
    other = make(made.layout, rng, len(made.rows) // made.block).data()
    size = int(rng.choice([256, 1024, 4096]))

    def how(data: bytes) -> bytes:
        places = range(0, max(len(data), len(other)), size)
        return b"".join(one[at : at + size] for at in places for one in (data, other))

    return spoilt(made, how)


@damage
def a_block_written_twice(made: Made, rng: Rng) -> Made | None:
    """One block of a card stands twice."""

    def how(data: bytes) -> bytes:
        at = _in_the_middle(data, rng, BLOCK) // BLOCK * BLOCK
        return data[: at + BLOCK] + data[at : at + BLOCK] + data[at + BLOCK :]

    return spoilt(made, how)


@damage
def bits_flipped(made: Made, rng: Rng) -> Made | None:
    """A line without check turns single bits over, or leaves the parity bit in."""
    share, parity = float(rng.choice([0.0002, 0.002])), bool(rng.random() < 0.3)

    def how(data: bytes) -> bytes:
        bits = np.frombuffer(data, np.uint8).copy()
        hit = rng.random(len(bits)) < share
        hit[: data.index(b"\n") + 1] = False
        which = np.full(int(hit.sum()), 7) if parity else rng.integers(0, 7, int(hit.sum()))
        bits[hit] ^= np.left_shift(1, which).astype(np.uint8)
        return bits.tobytes()

    return spoilt(made, how)


@damage
def errors_of_a_spreadsheet(made: Made, rng: Rng) -> Made | None:
    """Some numbers are what a spreadsheet writes for none."""
    rows, word = [list(row) for row in made.rows], str(rng.choice(["#REF!", "#VALUE!", "#####"]))
    column = int(rng.choice((*made.instants, *made.spans)))
    for at in rng.choice(len(rows), int(rng.choice([1, 10, 40])), replace=False).tolist():
        rows[at][column] = word
    return replace(made, rows=rows)


@damage
def lengths_filled_down(made: Made, rng: Rng) -> Made | None:
    """The lengths of a stretch are a series that a spreadsheet made of the first."""
    if not made.spans or made.block > 1:
        return None
    rows, column = [list(row) for row in made.rows], int(rng.choice(made.spans))
    count, step = int(rng.choice([20, 80])), int(rng.choice([0, 1]))
    low = int(rng.integers(5, len(rows) - count - 5))
    for at in range(1, count):
        rows[low + at][column] = str(int(rows[low][column]) + step * at)
    return replace(made, rows=rows)


@damage
def two_logs_side_by_side(made: Made, rng: Rng) -> Made | None:
    """The columns of another log stand beside those of this one."""
    if made.layout.startswith("values"):
        return None
    other = make(made.layout, rng, len(made.rows) // made.block)
    rows = [[*one, *two] for one, two in zip(made.rows, other.rows, strict=True)]
    return replace(made, header=[*made.header, *other.header], rows=rows)


@damage
def clock_set_ahead_a_little(made: Made, rng: Rng) -> Made | None:
    """From one loop on the clock is ahead by half a second, which its parts do not take."""
    if not made.instants or made.layout.startswith("stamps"):
        return None  # beside no part a stall looks the same
    low = int(rng.integers(20, 250)) * made.block
    words = [row[-1] for row in made.rows[:low]]
    if made.rows[0][-1] == "enter" and 2 * words.count("enter") > low:
        return None  # a call is under way: to it a stall of all that runs looks the same
    ahead = moved(made, lambda at: at + 500_000, low)
    return None if ahead is None else replace(ahead, clock_set=True)


@damage
def rest_of_an_older_log_behind(made: Made, rng: Rng) -> Made | None:
    """A file that had its room beforehand ends with what stood there: an older, longer log."""
    if made.layout in ("sections", "totals"):
        return None  # its rows are as good as the others
    older = make(made.layout, rng, len(made.rows) // made.block)
    if made.instants and not made.numbered:  # a clock that goes on is that of a stall
        kept, last = older.rows[len(older.rows) // 2], made.rows[-1]
        if int(kept[made.instants[0]]) >= int(last[made.instants[0]]):
            return None
    data = older.data()
    return spoilt(made, lambda own: own + data[len(data) // 2 :])


@damage
def two_logs_anyhow(made: Made, rng: Rng) -> Made:
    """The lines of another log of the same kind among these, each in its own order."""
    other = make(made.layout, rng, len(made.rows) // made.block)
    whose = rng.permutation(np.repeat([False, True], [len(made.rows), len(other.rows)]))
    ours, theirs = iter(made.rows), iter(other.rows)
    return replace(made, rows=[next(theirs if one else ours) for one in whose.tolist()])


@damage
def rows_again_later(made: Made, rng: Rng) -> Made:
    """Some rows stand in the log again, some rows later."""
    rows, share = list(made.rows), float(rng.choice([0.01, 0.05, 0.2]))
    for at in np.flatnonzero(rng.random(len(rows)) < share)[::-1].tolist():
        rows.insert(at + int(rng.integers(2, 30)), made.rows[at])
    return replace(made, rows=rows)


@damage
def rows_many_times(made: Made, rng: Rng) -> Made:
    """Each row stands in the log up to so many times."""
    often = rng.integers(1, int(rng.choice([3, 5, 10])), len(made.rows)).tolist()
    return replace(
        made, rows=[row for row, n in zip(made.rows, often, strict=True) for _ in range(n)]
    )


@damage
def a_stretch_turned(made: Made, rng: Rng) -> Made:
    """A stretch of the log stands the other way round."""
    low, high = sorted(rng.choice(len(made.rows), 2, replace=False).tolist())
    rows = made.rows
    return replace(made, rows=rows[:low] + rows[low:high][::-1] + rows[high:])
