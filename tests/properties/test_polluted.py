"""What stands around and between the rows of a table costs a row at most for every bad row."""

import numpy as np
import pytest

import looptime
from tests.properties.semantic import make

LOOPS = 84
SHAPES = ("stages", "costs", "totals numbered", "stamps numbered")


def both(tmp_path, shape, change):
    """The run of a clean log of 84 rows, and of one whose header and lines were changed."""
    made = make(shape, np.random.default_rng(4), LOOPS)
    header, lines = ",".join(made.header), [",".join(row) for row in made.rows]
    runs = []
    for text in ("\n".join([header, *lines, ""]), change(header, lines)):
        path = tmp_path / "log.csv"
        path.write_text(text, encoding="utf-8", newline="")
        (run,) = looptime.read_log(path, cache=False).runs
        runs.append(run)
    return runs


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize(
    "change",
    [
        lambda head, rows: "\n".join([head, head, *rows, ""]),
        lambda head, rows: "\n".join([head, head, head, *rows, ""]),
        lambda head, rows: "\n".join(
            [head, ",".join("us" if "_us" in cell else "-" for cell in head.split(",")), *rows, ""]
        ),
        lambda head, rows: "\n".join(["Log of the tray carrier", "", "build 5", head, *rows, ""]),
        lambda head, rows: "\r".join([head, *rows, ""]),
        lambda head, rows: "\r\n".join([head, *rows, ""]),
        lambda head, rows: "\n".join([head, *rows[:50]]) + "\r\n" + "\r\n".join([*rows[50:], ""]),
    ],
    ids=["two headers", "three", "units below", "preamble", "CR", "CRLF", "both"],
)
def test_what_stands_above_or_between_lines_changes_no_loop(tmp_path, shape, change):
    """Headers, their units, prose above and any line ends leave every loop as it is."""
    clean, found = both(tmp_path, shape, change)
    assert found.layout == clean.layout
    assert found.loop_columns.period_ns.tolist() == clean.loop_columns.period_ns.tolist()


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("spoil", [
    lambda row: row + '"', lambda row: row + ",", lambda row: row.replace(",", ",,", 1),
    lambda row: row.replace(",", "", 1), lambda row: row.replace(",", ";"),
    lambda row: row.replace(",", "\t"), lambda row: '"' + row,
])  # fmt: skip
def test_one_spoilt_row_costs_itself_alone(tmp_path, shape, spoil):
    """A quote or separator too many, too few or of another kind: one row is set aside for it."""
    clean, found = both(
        tmp_path, shape,
        lambda head, rows: "\n".join([head, *rows[:42], spoil(rows[42]), *rows[43:], ""]),
    )  # fmt: skip
    mine = found.set_aside.counts
    around = mine.pop("rows lost around it", 0)  # beside a clock the loop before it has no end
    assert around <= 1
    mine.pop("unfinished last loop", None)
    assert sum(mine.values()) <= 1
    kept = clean.loop_columns.period_ns
    gone = np.setdiff1d(np.arange(len(kept)), (41, 42))
    assert np.isin(kept[gone], found.loop_columns.period_ns).all()


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("columns", [2, 0, 7])
def test_a_second_table_below_is_none_of_the_log(tmp_path, shape, columns):
    """Figures under other names, in fewer, as many or more columns, are set aside."""

    def change(head, rows):
        width = columns or len(head.split(","))
        table = [",".join(f"stat{k}" for k in range(width))]
        table += [",".join(str(3 * k + j) for k in range(width)) for j in (1, 2, 3)]
        return "\n".join([head, *rows, "", *table, ""])

    clean, found = both(tmp_path, shape, change)
    kept = found.loop_columns.period_ns.tolist()
    assert kept == clean.loop_columns.period_ns.tolist()[: len(kept)]
    assert len(clean) - len(found) <= 1
    assert found.rows_read - clean.rows_read in (3, 4)


def test_words_in_single_quotes_are_the_words(tmp_path):
    """Quotes of either kind around names and edges say nothing."""
    rows = [
        f"{10_000 * k + at},'{name}','{side}'"
        for k in range(20)
        for name, first, last in (("gyro.read", 0, 2000), ("drive.write", 2500, 5500))
        for at, side in ((first, "begin"), (last, "end"))
    ]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time_us,name,edge", *rows, ""]), encoding="utf-8")
    (run,) = looptime.read_log(path).runs
    assert sorted(name.name for name in run.names) == ["drive.write", "gyro.read"]
    assert set(run.loop_columns.period_ns.tolist()) == {10_000_000}
