"""Counters whose headers state how fast they count."""

import numpy as np
import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms

#: Start of each loop, and how long it reads and acts [ms].
_RNG = np.random.default_rng(4)
PERIOD = 20 + 3 * _RNG.random(200)
START = np.append(0, np.cumsum(PERIOD)[:-1])
READ, ACT = 4 + _RNG.random(200), 7 + 2 * _RNG.random(200)


def counts(ms, hz, wrap=2**62):
    """Instants or lengths as whole counts of a counter."""
    return np.rint(np.asarray(ms) * hz / 1000).astype(np.int64) % wrap


def table(header, *columns):
    """A log of these columns."""
    return (
        header
        + "\n"
        + "".join(f"{','.join(map(str, row))}\n" for row in zip(*columns, strict=True))
    )


@pytest.mark.parametrize(
    ("words", "hz"),
    [("{}_ticks_84MHz", 84e6), ("{} (cycles @ 16 MHz / 64)", 250e3), ("DWT_{}@216MHz", 216e6),
     ("{} [ticks at 32768 Hz]", 32768), ("{}_1MHz", 1e6)],
)  # fmt: skip
def test_clock_and_lengths_in_counts_of_the_rate_in_the_header(tmp_path, words, hz):
    """Periods and costs are counts over the rate, to the half of a count that rounding takes."""
    header = ",".join(map(words.format, ("start", "read", "act")))
    run = read(tmp_path, table(header, counts(START, hz), counts(READ, hz), counts(ACT, hz)))
    assert periods_ms(run) == pytest.approx(PERIOD[: len(run.loops)], abs=1e3 / hz + 1e-6)
    found = self_ms(run)
    assert found["read"] == pytest.approx(READ[: len(run.loops)], abs=1e3 / hz)
    assert found["act"] == pytest.approx(ACT[: len(run.loops)], abs=1e3 / hz)


def test_instants_of_a_counter_of_32_bits(tmp_path):
    """At 168 MHz the counter wraps between the marks of a loop; stages are the counts between."""
    hz, marks = 168e6, (START, START + READ, START + READ + ACT)
    since = 2**32 * 1000 / hz - 2000
    columns = [counts(since + mark, hz, 2**32) for mark in marks]
    run = read(
        tmp_path, table("start_ticks_168MHz,read_end_ticks_168MHz,end_ticks_168MHz", *columns)
    )
    assert periods_ms(run)[:199] == pytest.approx(PERIOD[:199], abs=1e-4)
    assert self_ms(run)["read"][:199] == pytest.approx(READ[:199], abs=1e-4)


def test_a_rate_in_the_header_of_a_signal(tmp_path):
    """Counts of a wheel that are sampled at 50 Hz are no times; the clock beside them is."""
    wheel = np.cumsum(1 + np.arange(200) % 3)
    run = read(tmp_path, table("time_ms,wheel_counts_50Hz", np.round(START, 3), wheel))
    assert run.clock.unit == "ms"
    assert periods_ms(run)[:199] == pytest.approx(PERIOD[:199], abs=1.1e-3)


def test_a_rate_at_which_no_loop_runs_is_asked_for(tmp_path):
    """Counts of 1 us under a header of 168 MHz would make loops of 0.13 us; --unit decides."""
    text = table(
        "start_ticks_168MHz,act_ticks_168MHz", *(counts(v / 1e3, 1e6) for v in (START, ACT))
    )
    with pytest.raises(LogError, match=r"says 168MHz, but then a loop lasts 0\.00012\d ms"):
        read(tmp_path, text)
    run = read(tmp_path, text, unit="us")
    assert periods_ms(run)[:199] == pytest.approx(PERIOD[:199] / 1e3, abs=1e-3)


def test_rates_in_names_that_the_caller_gives(tmp_path):
    """Names on the command line state rates as a header does."""
    text = table("a,b", counts(START, 84e6), counts(READ, 84e6))
    run = read(tmp_path, text, columns="start_ticks_84MHz,read_ticks_84MHz")
    assert periods_ms(run) == pytest.approx(PERIOD[: len(run.loops)], abs=1e-4)
    assert self_ms(run)["read"] == pytest.approx(READ[: len(run.loops)], abs=1e-4)
