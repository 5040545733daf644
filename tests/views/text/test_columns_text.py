"""What was understood of a log's columns, as text."""

from looptime.parsers.columns_taken import columns_taken
from looptime.views.text.columns_text import render_columns
from tests.views.text.build import text_of


def test_the_command_that_keeps_the_columns_can_be_pasted(tmp_path):
    """It names the log, in quotes where a blank stands in its name."""
    log = tmp_path / "run 1.csv"
    log.write_text("time_ms,gyro_ms\n" + "".join(f"{10 * k},{2 + k % 3}\n" for k in range(50)))
    shown = " ".join(text_of(render_columns(columns_taken(log, cache=False))).split())
    assert f'looptime columns "{log}" --write' in shown


def test_times_without_a_unit_show_that_of_the_clock(tmp_path):
    """Starts and ends under bare names, of loops of 10,000: us, and why."""
    path = tmp_path / "log.csv"
    rows = "".join(f"read,{k * 10_000},{k * 10_000 + 3_000}\n" for k in range(200))
    path.write_text("name,start,end\n" + rows, "utf-8")
    found = columns_taken(path)
    assert [(c.taken_as, c.unit) for c in found.columns] == [
        ("name", None), ("start", "us"), ("end", "us")
    ]  # fmt: skip
    assert "us: inferred" in text_of(render_columns(found))


def test_of_two_clocks_the_one_in_use_is_named(tmp_path):
    """A host's stamps, 0 to 4 ms late in turn, beside a board's own even ones of 20 ms."""
    path = tmp_path / "log.csv"
    rows = "".join(
        f"{(20 * k + 2 * (k % 3)) / 1000:.3f},{20_000 * k},{7_000 + k % 5}\n" for k in range(200)
    )
    path.write_text("host_time_s,core_time_us,drive_us\n" + rows, "utf-8")
    found = columns_taken(path, cache=False)
    assert [(c.taken_as, c.unit) for c in found.columns] == [
        ("second clock", None), ("clock", "us"), ("part", "us")
    ]  # fmt: skip
    assert "its clock is 'core_time_us' in us" in render_columns(found).answer
    assert '"skip",  # "host_time_s"\n  "clock us",  # "core_time_us"' in found.stated()


def test_a_column_that_counts_the_rows_is_called_that(tmp_path):
    """And the loops are none that a named call begins, since each row is one: that is said."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{k},{20 * k},{3 + k % 4}\n" for k in range(60))
    path.write_text("n,time_ms,gyro_ms\n" + rows, "utf-8")
    found = columns_taken(path, cache=False)
    assert (found.columns[0].taken_as, found.columns[0].why) == (
        "loop number", "it counts the rows",
    )  # fmt: skip
    asked = columns_taken(path, cache=False, loop_call="gyro")
    (note,) = set(asked.clock.notes) - set(found.clock.notes)
    assert note.startswith("no loop is begun by 'gyro', which --loop-call names")


def test_columns_without_a_header_are_told_by_no_header(tmp_path):
    path = tmp_path / "log.txt"
    words = ("begin loop", "begin gyro", "end gyro", "begin arm", "end arm", "end loop")
    rows = [f"{20 * k + 3 * at} {one}" for k in range(60) for at, one in enumerate(words)]
    path.write_text("\n".join(rows) + "\n", "utf-8")
    found = columns_taken(path, cache=False, unit="ms")
    assert not any("header" in one.why for one in found.columns)


def test_a_stamp_at_the_end_of_its_call_is_called_its_end(tmp_path):
    """Two calls of 3 ms and 1 ms a loop, 0.1 ms apart, each stamped as it ends: starts overlap."""
    rows, now = [], 0
    for k in range(300):
        for name, us in (("compass", 3_000 + k % 7), ("lift", 1_000 + k % 5)):
            now += us + 100
            rows.append(f"{name},{now},{us}\n")
    path = tmp_path / "log.csv"
    path.write_text("section,stamp_us,length_us\n" + "".join(rows), "utf-8")
    found = columns_taken(path, cache=False)
    assert [c.taken_as for c in found.columns] == ["name", "end", "duration"]
