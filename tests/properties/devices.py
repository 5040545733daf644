"""Damage done by counters, firmware, loggers and hands, beside that of rows and clocks."""

from collections.abc import Callable
from dataclasses import replace

from tests.properties.semantic import PARTS, Made, Rng, Rows, damage, make, moved


def _copied(made: Made) -> Rows:
    return [list(row) for row in made.rows]


def cells_of(
    made: Made, columns: tuple[int, ...], change: Callable[[str], str], rows: range
) -> Made:
    """Cells of some columns and rows changed."""
    changed = _copied(made)
    for at in rows:
        for column in columns:
            changed[at][column] = change(changed[at][column])
    return replace(made, rows=changed)


def named_at(made: Made) -> int | None:
    """The column of names."""
    words = (*PARTS[:1], f"{PARTS[0]}_us", "loop start")
    return next((c for c in range(len(made.header)) if made.rows[0][c] in words), None)


def from_a_loop(made: Made, rng: Rng) -> range:
    """The rows from one loop on, not near the ends."""
    loops = len(made.rows) // made.block
    return range(int(rng.integers(loops // 4, 3 * loops // 4)) * made.block, len(made.rows))


def _stretch(made: Made, rng: Rng, most: int = 40) -> range:
    """Some loops in the middle."""
    low = from_a_loop(made, rng).start
    return range(low, min(len(made.rows) - 10, low + int(rng.integers(1, most)) * made.block))


@damage
def instants_in_another_unit(made: Made, rng: Rng) -> Made | None:
    """From one loop on, instants are printed in ms with three decimals, or in ns."""
    if not made.instants:
        return None
    if rng.random() < 0.5:
        return cells_of(
            made, made.instants, lambda c: f"{int(c) / 1000:.3f}", from_a_loop(made, rng)
        )
    return cells_of(made, made.instants, lambda c: c + "000", from_a_loop(made, rng))


@damage
def lengths_in_another_unit(made: Made, rng: Rng) -> Made | None:
    """From one loop on, durations are printed in ms with three decimals, or in ns."""
    if not made.spans:
        return None
    columns = made.spans if rng.random() < 0.5 else (int(rng.choice(made.spans)),)
    if rng.random() < 0.5:
        return cells_of(made, columns, lambda c: f"{int(c) / 1000:.3f}", from_a_loop(made, rng))
    return cells_of(made, columns, lambda c: c + "000", from_a_loop(made, rng))


@damage
def lengths_stick_at_the_largest(made: Made, rng: Rng) -> Made | None:
    """Durations are kept in 12 bits: what does not fit is the largest number."""
    if not made.spans:
        return None
    full = [sum(int(row[column]) > 4095 for row in made.rows) for column in made.spans]
    if not max(full):
        return None
    return cells_of(made, made.spans, lambda c: str(min(int(c), 4095)), range(len(made.rows)))


@damage
def lengths_wrap(made: Made, rng: Rng) -> Made | None:
    """Durations have 12 bits, and those of the longest part go a little beyond what these hold."""
    if not made.spans or made.layout == "calls loop row last":
        return None
    longest = made.parts_ms["odometry"]
    if not 3.9 < longest < 4.6:
        return None
    return cells_of(made, made.spans, lambda c: str(int(c) % 4096), range(len(made.rows)))


@damage
def negative_lengths(made: Made, rng: Rng) -> Made | None:
    """Some durations have lost their sign."""
    if not made.spans:
        return None
    column = int(rng.choice(made.spans))
    changed = _copied(made)
    for at in range(len(changed)):
        if rng.random() < 0.05:
            changed[at][column] = "-" + changed[at][column]
    return replace(made, rows=changed)


@damage
def a_number_for_no_value(made: Made, rng: Rng) -> Made | None:
    """Now and then a number stands for a reading that failed."""
    if not made.spans:
        return None
    word = str(rng.choice(["-1", "65535", "999999", "4294967295", "2147483647"]))
    share = float(rng.choice([0.01, 0.1]))
    column = int(rng.choice(made.spans))
    changed = _copied(made)
    for at in range(len(changed)):
        if rng.random() < share:
            changed[at][column] = word
    return replace(made, rows=changed)


@damage
def a_part_below_zero(made: Made, rng: Rng) -> Made | None:
    """The lengths of one part are all negative: its two stamps are taken the wrong way round."""
    name = named_at(made)
    if not made.spans:
        return None
    column = int(rng.choice(made.spans))
    changed = _copied(made)
    for row in changed:
        if name is None or row[name].startswith("drive.read"):
            row[column] = "-" + row[column]
    return replace(made, rows=changed)


@damage
def values_lost(made: Made, rng: Rng) -> Made | None:
    """Every seventh row of a table of values is lost, or some of them, which no number tells."""
    if made.block == 1 or made.layout[:6] != "values":
        return None
    if rng.random() < 0.5:
        return replace(made, rows=[row for at, row in enumerate(made.rows) if at % 7 != 6])
    share = float(rng.choice([0.01, 0.05, 0.2]))
    return replace(made, rows=[row for row in made.rows if rng.random() > share])


@damage
def clock_stuck_for_long(made: Made, rng: Rng) -> Made | None:
    """Fifty loops have the stamps of the first of them; then the clock goes on."""
    if not made.instants:
        return None
    low = from_a_loop(made, rng).start
    changed = _copied(made)
    for row in changed[low : low + 50 * made.block]:
        for column in made.instants:
            row[column] = changed[low][made.instants[0]]
    return replace(made, rows=changed)


@damage
def cut_off_in_a_loop(made: Made, rng: Rng) -> Made:
    """A short log ends within a loop, or within a cell."""
    loops = int(rng.integers(20, 40))
    more = int(rng.integers(1, made.block + 1))
    whole = loops + (more == made.block and made.layout.startswith(("totals", "sections")))
    short = replace(
        made, rows=made.rows[: loops * made.block + more],
        period_ms=made.period_ms[:whole], lengths_ms=made.lengths_ms[:whole],
    )  # fmt: skip
    if rng.random() < 0.5:
        row = short.rows[-1]
        short.rows[-1] = [*row[:-1], row[-1][: int(rng.integers(0, len(row[-1]) + 1))]]
    return short


@damage
def rows_of_zeros(made: Made, rng: Rng) -> Made:
    """A stretch of rows holds zeros in place of numbers."""
    numbers = tuple(c for c in range(len(made.header)) if made.rows[0][c].lstrip("-").isdigit())
    return cells_of(made, numbers, lambda _: "0", _stretch(made, rng))


@damage
def clock_stands_still(made: Made, rng: Rng) -> Made | None:
    """Over some loops, all rows have the first one's stamps; then the clock goes on."""
    if not made.instants:
        return None
    rows = _stretch(made, rng, 12)
    changed = _copied(made)
    for at in rows:
        for column in made.instants:
            changed[at][column] = changed[rows.start][made.instants[0]]
    return replace(made, rows=changed)


@damage
def clock_ticks_coarsely(made: Made, rng: Rng) -> Made | None:
    """From one loop on the clock ticks in 10 ms."""
    if not made.instants:
        return None
    rows = from_a_loop(made, rng)
    return cells_of(made, made.instants, lambda c: str(int(c) // 10_000 * 10_000), rows)


@damage
def saved_by_a_spreadsheet(made: Made, rng: Rng) -> Made | None:
    """Numbers with six digits of an exponent are all that is left of instants."""
    if not made.instants:
        return None
    return cells_of(made, made.instants, lambda c: f"{int(c) + 10**9:.5E}", range(len(made.rows)))


@damage
def as_a_float_of_32_bits(made: Made, rng: Rng) -> Made | None:
    """Instants were held in a float of 32 bits, far from zero."""
    import numpy as np

    if not made.instants:
        return None
    far = int(rng.choice([10**8, 10**10]))
    return moved(made, lambda at: int(np.float32(at + far)))


def _in_seconds(made: Made, told: Callable[[float], str]) -> Made | None:
    """Instants in seconds, each as `told` writes it; a line that names its unit keeps it."""
    if not made.instants or made.layout in ("values pairs", "values lines"):
        return None
    header = [h[:-2] + "s" if k in made.instants else h for k, h in enumerate(made.header)]
    moved_ = cells_of(made, made.instants, lambda c: told(int(c) / 1e6), range(len(made.rows)))
    return replace(moved_, header=header)


@damage
def seconds_of_32_bits(made: Made, rng: Rng) -> Made | None:
    """Instants are seconds that were held in a float of 32 bits, far from zero."""
    import numpy as np

    first = float(rng.choice([100, 300, 1500, 9000, 40_000]))
    written = str(rng.choice(["{:.9f}", "{:.6f}", "{:.9g}", "{}"]))
    return _in_seconds(made, lambda at: written.format(float(str(np.float32(at + first)))))


@damage
def instants_in_whole_ms(made: Made, rng: Rng) -> Made | None:
    """Instants are seconds with three decimals, while lengths are in us."""
    first = float(rng.choice([0, 1000, 1_767_225_600]))
    return _in_seconds(made, lambda at: f"{at + first:.3f}")


@damage
def ring_dumped_from_its_middle(made: Made, rng: Rng) -> Made:
    """The newest rows stand before the oldest, as a ring in memory holds them."""
    at = int(rng.integers(len(made.rows) // 5, 4 * len(made.rows) // 5))
    return replace(made, rows=made.rows[at:] + made.rows[:at])


@damage
def columns_in_another_order(made: Made, rng: Rng) -> Made:
    """Half-way a header names the columns in another order."""
    rows = from_a_loop(made, rng)
    order = rng.permutation(len(made.header)).tolist()
    head = [made.header[c] for c in order]
    late = [[row[c] for c in order] for row in made.rows[rows.start :]]
    return replace(made, rows=[*made.rows[: rows.start], head, *late])


@damage
def header_of_another_unit(made: Made, rng: Rng) -> Made:
    """Half-way a header names ms, and the rows below hold ms."""
    rows = from_a_loop(made, rng)
    timed = [c for c, name in enumerate(made.header) if name.endswith("_us")]
    head = [name[:-2] + "ms" if name.endswith("_us") else name for name in made.header]
    late = _copied(made)[rows.start :]
    for row in late:
        for column in timed:
            row[column] = f"{int(row[column]) / 1000:.3f}"
    return replace(made, rows=[*made.rows[: rows.start], head, *late])


@damage
def a_column_lost_half_way(made: Made, rng: Rng) -> Made:
    """From one loop on a cell less is written."""
    rows, gone = from_a_loop(made, rng), int(rng.integers(len(made.header)))
    late = [[c for k, c in enumerate(row) if k != gone] for row in made.rows[rows.start :]]
    return replace(made, rows=[*made.rows[: rows.start], *late])


@damage
def a_column_more_half_way(made: Made, rng: Rng) -> Made:
    """From one loop on a cell more is written, before the others or behind them."""
    rows, first = from_a_loop(made, rng), rng.random() < 0.5
    late = [["7", *row] if first else [*row, "7"] for row in made.rows[rows.start :]]
    return replace(made, rows=[*made.rows[: rows.start], *late])


@damage
def thousands_set_off(made: Made, rng: Rng) -> Made:
    """Numbers from 10,000 on have a separator, which is the delimiter, too."""

    def set_off(cell: str) -> str:
        return f"{int(cell):,}" if cell.isdigit() and len(cell) > 4 else cell

    return replace(made, rows=[[set_off(cell) for cell in row] for row in made.rows])


@damage
def cells_cut_to_a_width(made: Made, rng: Rng) -> Made | None:
    """Instants keep their first or last digits only, as many as there is room for."""
    if not made.instants or len(made.rows[-1][made.instants[0]]) < 6:
        return None
    width = len(made.rows[-1][made.instants[0]]) - 1
    if len(made.rows[0][made.instants[0]]) <= width and rng.random() < 0.5:
        return cells_of(made, made.instants, lambda c: c[:width], range(len(made.rows)))
    return cells_of(made, made.instants, lambda c: c[-width:], range(len(made.rows)))


@damage
def signed_counter(made: Made, rng: Rng) -> Made | None:
    """The counter goes on with its most negative number."""
    if not made.instants:
        return None
    span = int(made.rows[-1][made.instants[0]]) - int(made.rows[0][made.instants[0]])
    half = int(rng.choice([1 << 31, 1 << 23]))
    if half < 0.7 * span:
        return None
    first = half - int(rng.uniform(0.1, 0.9) * span)
    return moved(made, lambda at: (at + first + half) % (2 * half) - half)


@damage
def reset_by_the_watchdog(made: Made, rng: Rng) -> Made | None:
    """From one loop on the clock begins at zero, while numbers go on."""
    if not made.instants:
        return None
    low = from_a_loop(made, rng).start
    zero = int(made.rows[low][made.instants[0]])
    return moved(made, lambda at: at - zero + 1000, low)


@damage
def loop_numbers_of_8_bits(made: Made, rng: Rng) -> Made | None:
    """The number of the loop or row begins at zero again and again."""
    if not made.numbered:
        return None
    counts = tuple(c for c, name in enumerate(made.header) if name in ("loop", "seq"))
    return cells_of(made, counts, lambda c: str(int(c) % 256), range(len(made.rows)))


@damage
def loop_numbers_stand_still(made: Made, rng: Rng) -> Made | None:
    """The number of the loop is zero throughout, or from one loop on the same."""
    if "loop" not in made.header:
        return None
    at = made.header.index("loop")
    rows = range(len(made.rows)) if rng.random() < 0.5 else from_a_loop(made, rng)
    kept = made.rows[rows.start][at]
    return cells_of(made, (at,), lambda _: kept, rows)


@damage
def names_spelled_anew(made: Made, rng: Rng) -> Made | None:
    """From one loop on a name has another case, or a blank more."""
    at = named_at(made)
    if at is None:
        return None
    change = rng.choice(["upper", "title", "blank", "under"])
    how = {"upper": str.upper, "title": str.title, "blank": lambda c: f" {c} ",
           "under": lambda c: c.replace(".", "_")}[str(change)]  # fmt: skip
    return cells_of(made, (at,), how, from_a_loop(made, rng))


@damage
def names_cut_off(made: Made, rng: Rng) -> Made | None:
    """Now and then the last letters of a name are missing."""
    at = named_at(made)
    if at is None:
        return None
    changed = _copied(made)
    for row in changed:
        if rng.random() < 0.03:
            row[at] = row[at][: int(rng.integers(1, len(row[at])))]
    return replace(made, rows=changed)


@damage
def a_name_that_comes_no_more(made: Made, rng: Rng) -> Made | None:
    """From one loop on the rows of the first or of another part are not written."""
    at = named_at(made)
    if at is None or made.numbered:
        return None
    gone = str(rng.choice(["gyro.read", "drive.read"]))
    low = from_a_loop(made, rng).start
    return replace(made, rows=[r for k, r in enumerate(made.rows) if k < low or r[at] != gone])


@damage
def one_part_by_another_clock(made: Made, rng: Rng) -> Made | None:
    """The instants of one part come from a clock that began at another time, or counts in ms."""
    at = named_at(made)
    if at is None or not made.instants:
        return None
    away = int(rng.choice([0, 10**6, -(10**5), 10**9]))
    changed = _copied(made)
    for row in changed:
        if row[at] == "drive.read":
            was = int(row[made.instants[0]])
            row[made.instants[0]] = str(max(0, was + away) if away else was // 1000)
    return replace(made, rows=changed)


@damage
def rows_of_one_part_late(made: Made, rng: Rng) -> Made | None:
    """One part writes its rows ten at a time."""
    at = named_at(made)
    if at is None or not made.instants:
        return None
    out: Rows = []
    held: Rows = []
    for row in made.rows:
        if row[at] != "drive.read":
            out.append(row)
            continue
        held.append(row)
        if len(held) == 20:
            out, held = out + held, []
    return replace(made, rows=out + held)


@damage
def two_rows_on_a_line(made: Made, rng: Rng) -> Made:
    """Line breaks are missing here and there."""
    rows: Rows = []
    for row in made.rows:
        if rows and rng.random() < 0.03 and len(rows[-1]) == len(row):
            rows[-1] = [*rows[-1][:-1], rows[-1][-1] + row[0], *row[1:]]
        else:
            rows.append(row)
    return replace(made, rows=rows)


@damage
def sent_again_with_a_new_stamp(made: Made, rng: Rng) -> Made | None:
    """Some rows are sent again a few microseconds later, stamped anew."""
    if not made.instants or made.numbered:
        return None
    rows: Rows = []
    for row in made.rows:
        rows.append(row)
        if rng.random() < 0.1:
            again = list(row)
            for column in made.instants:
                again[column] = str(int(row[column]) + int(rng.integers(2, 30)))
            rows.append(again)
    return replace(made, rows=rows)


@damage
def rows_of_another_robot(made: Made, rng: Rng) -> Made | None:
    """After this log stands one of a robot whose names and pace are others."""
    at = named_at(made)
    if at is None:  # one loop that changes its pace is all that such a log tells
        return None
    other = make(made.layout, rng, len(made.rows) // made.block // 2)
    late = [list(row) for row in other.rows]
    for row in late:
        row[at] = "arm." + row[at]
    if made.instants:
        ahead = int(made.rows[-1][made.instants[-1]]) + 500_000
        for row in late:
            for column in made.instants:
                row[column] = str(int(row[column]) + ahead)
    return replace(made, rows=made.rows + late)


@damage
def edges_of_the_wrong_side(made: Made, rng: Rng) -> Made | None:
    """Begin and end have changed places in some pairs."""
    if "edge" not in made.header:
        return None
    at, changed = made.header.index("edge"), _copied(made)
    for row in changed:
        if rng.random() < 0.02:
            row[at] = {"begin": "end", "end": "begin"}[row[at]]
    return replace(made, rows=changed)


@damage
def ends_not_written(made: Made, rng: Rng) -> Made | None:
    """From one loop on a part has no ends."""
    if "edge" not in made.header:
        return None
    at, low = made.header.index("edge"), from_a_loop(made, rng).start
    rows = [r for k, r in enumerate(made.rows)
            if k < low or not (r[at] == "end" and "drive.read" in r)]  # fmt: skip
    return replace(made, rows=rows)


@damage
def total_of_the_loop_before(made: Made, rng: Rng) -> Made | None:
    """Over a stretch the total is that of another loop."""
    if "total_us" not in made.header:
        return None
    at, rows, changed = made.header.index("total_us"), _stretch(made, rng), _copied(made)
    for k in rows:
        changed[k][at] = made.rows[k - 1][at]
    return replace(made, rows=changed)


@damage
def cells_left_out(made: Made, rng: Rng) -> Made:
    """Here and there a cell holds nothing."""
    changed = _copied(made)
    column = int(rng.integers(len(made.header)))
    for row in changed:
        if rng.random() < 0.05:
            row[column] = ""
    return replace(made, rows=changed)


@damage
def decimals_by_comma_half_way(made: Made, rng: Rng) -> Made:
    """From one row on another program writes: semicolons, and decimals with a comma."""
    rows = from_a_loop(made, rng)
    late = [[";".join(row)] for row in made.rows[rows.start :]]
    return replace(made, rows=[*made.rows[: rows.start], *late])


@damage
def an_hour_of_twelve(made: Made, rng: Rng) -> Made | None:
    """Times of day of twelve hours without AM or PM, past one o'clock."""
    if not made.instants:
        return None
    span = int(made.rows[-1][made.instants[0]]) - int(made.rows[0][made.instants[0]])
    first = 13 * 3_600_000_000 - int(rng.uniform(0.2, 0.8) * span)
    zero = int(made.rows[0][made.instants[0]])

    def told(cell: str) -> str:
        at = first + int(cell) - zero
        hour, rest = divmod(at, 3_600_000_000)
        minute, micro = divmod(rest, 60_000_000)
        return f"{(hour - 1) % 12 + 1:02d}:{minute:02d}:{micro / 1e6:09.6f}"

    return replace(
        cells_of(made, made.instants, told, range(len(made.rows))),
        header=[h[:-3] if k in made.instants else h for k, h in enumerate(made.header)],
    )


@damage
def summer_time_begins(made: Made, rng: Rng) -> Made | None:
    """Dates with a time of day; within the log the clock is put forward or back by an hour."""
    import datetime

    if not made.instants:
        return None
    low, hour = from_a_loop(made, rng).start, int(rng.choice([3600, -3600]))
    zero = datetime.datetime(2026, 3, 29, 1, 59, 58, tzinfo=datetime.UTC)
    changed = _copied(made)
    for at, row in enumerate(changed):
        for column in made.instants:
            late = datetime.timedelta(
                microseconds=int(row[column]), seconds=hour if at >= low else 0
            )
            row[column] = (zero + late).strftime("%Y-%m-%d %H:%M:%S.%f")
    header = [h[:-3] if k in made.instants else h for k, h in enumerate(made.header)]
    return replace(made, rows=changed, header=header)
