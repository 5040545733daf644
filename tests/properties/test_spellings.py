"""One set of loops written in many ways: whatever the words, units and order, the same figures."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import looptime
from looptime.errors import LogError


def words(text):
    """Spellings set with blanks."""
    return text.split()


#: Headers of the clock; a blank unit goes behind each.
CLOCKS = words(
    "time timestamp t ts clock elapsed Time Timestamp TIME uptime time_elapsed elapsed_time "
    "system_time robotTime board_time device_time unix_timestamp timestamp_utc epoch now log_time "
    "logTime start loop_start loopStart start_time startTime sample_time Zeit tiempo mono_time "
    "monotonic host_time wall_time recorded_at_time stamp time_since_boot run_time match_time "
    "sensor_timestamp"
)
#: Headers of a part that is a call to {n}.
PARTS = words(
    "{n} {n}_time {n}Time dt_{n} {n}_dt {n}_duration {n}Duration {n}_dur duration_{n} time_{n} "
    "{n}_elapsed elapsed_{n} {n}_took {n}_cost {N} {N}_Time {n}.time {n}-time {N}Took "
    "{n}_read_time {n}_update_time {n}_loop_part t_{n} {n}_periodic_time {n}_exec_time "
    "{n}_execution_time {n}_length {n}_span time_in_{n} time_for_{n} spent_{n} {n}_spent call_{n} "
    "{n}_call do_{n} run_{n} {n}_step step_{n} {n}_processing_time {n}_task"
)
#: Headers of the loop's own length.
TOTALS = words(
    "total Total total_time totalTime loop_time loopTime Loop_Time looptime loop_duration "
    "loopDuration loop_total total_loop whole whole_loop overall overall_time sum loop_length "
    "cycle_time cycleTime cycle_duration frame_time frame_duration iteration_time iter_time "
    "main_loop main_loop_time mainloop full_loop entire_loop pass_time loop_took loop_elapsed all "
    "everything tick_time time_per_loop time_of_loop loop_cost total_cost"
)
NAMES = ("gyro", "drive", "mast")
SCALES = {"s": 1e9, "ms": 1e6, "us": 1e3}
SUFFIXES = {"s": ("_s", " [s]", "_sec"), "ms": ("_ms", " (ms)", "_millis"), "us": ("_us", " [us]")}


def loops(seed, count=120):
    """Parts, total and starts [us] of loops that wait for nothing."""
    draw = np.random.default_rng(seed)
    parts = draw.integers([900, 3000, 300], [1200, 4200, 600], (count, 3))
    parts[:, 2] += np.where(draw.random(count) < 0.1, 21_000, 0)
    total = parts.sum(axis=1) + 40
    period = total + draw.integers(100, 140, count)
    return parts, total, np.cumsum(period) - period, period


def written(made, chosen, units, order, delimiter, end, suffixes):
    """A log of the loops under headers, units, delimiter and order of columns."""
    parts, total, start, _ = made
    clock, lengths = units
    suffix = {unit: SUFFIXES[unit][k] for unit, k in zip(units, suffixes, strict=False)}

    def header(spelling, unit, name=""):
        return spelling.format(n=name, N=name.capitalize()) + suffix.get(unit, "")

    stamps = start + total + 20 if end else start
    columns = [(header(chosen[0], clock), stamps, clock)]
    columns += [(header(chosen[1], lengths, name), parts[:, k], lengths)
                for k, name in enumerate(NAMES)]  # fmt: skip
    columns.append((header(chosen[2], lengths), total, lengths))
    columns.append(("heading", np.round(90 * np.sin(start / 9e5), 2) * 1e3, "us"))
    cells = [[f"{v:.10g}" for v in values * 1e3 / SCALES[unit]] for _, values, unit in columns]
    cells[-1] = [f"{v:.2f}" for v in columns[-1][1] / 1e3]
    rows = zip(*(cells[k] for k in order), strict=True)
    return "".join(delimiter.join(row) + "\n" for row in ([columns[k][0] for k in order], *rows))


def check(path, made, end):
    """The figures of the log are those of the loops that it was written from."""
    parts, total, start, _ = made
    run = looptime.read(path)
    found = [name.name.lower() for name in run.names]
    place = [[n in name for name in found].index(True) for n in NAMES]
    assert len(found) == 3
    assert list(run.signals.values) == ["heading_deg"]
    calls, count = run.call_columns, len(parts) - 1
    assert len(run) == count
    for k, code in enumerate(place):
        assert abs(calls.duration_ns[calls.name == code] / 1e3 - parts[:count, k]).max() < 1
    assert abs(run.loop_columns.body_ns / 1e3 - total[:count]).max() < 1
    assert abs(run.loop_columns.start_ns / 1e3 - start[:count] - 20 * end).max() < 1


@settings(max_examples=60)
@given(
    seed=st.integers(0, 99),
    words=st.tuples(*(st.sampled_from(all_) for all_ in (CLOCKS, PARTS, TOTALS))),
    units=st.sampled_from([(c, u) for c in SCALES for u in SCALES]),
    order=st.permutations(range(6)),
    delimiter=st.sampled_from([",", ";", "\t"]),
    end=st.booleans(),
    suffixes=st.sampled_from([(), (0, 0), (1, 1), (0, 1)]),
)
def test_same_figures_under_any_words(
    tmp_path, seed, words, units, order, delimiter, end, suffixes
):
    """Parts, total, periods and starts are those of the loops, however they are written."""
    made = loops(seed)
    path = tmp_path / "log.csv"
    path.write_text(written(made, words, units, order, delimiter, end, suffixes))
    check(path, made, end)


@pytest.mark.parametrize("role", range(3))
def test_every_spelling(tmp_path, role):
    """Each of the forty spellings of a role is read without a unit and with one."""
    made, usual = loops(7), [CLOCKS[0], PARTS[0], TOTALS[0]]
    path = tmp_path / "log.csv"
    wrong = []
    for spelling in (CLOCKS, PARTS, TOTALS)[role]:
        for suffixes in ((), (0, 0)):
            chosen = [*usual[:role], spelling, *usual[role + 1 :]]
            path.write_text(written(made, chosen, ("s", "ms"), range(6), ",", False, suffixes))
            try:
                check(path, made, False)
            except (AssertionError, ValueError, AttributeError, LogError) as error:
                wrong.append((spelling, suffixes, str(error)[:90]))
    assert not wrong
