"""One log, and that it is read as it was meant."""

from tests.parsers.build import periods_ms

TIMES = [0.0, 20.25, 40.5, 61.75, 80.0, 100.5]


PERIODS = [20.25, 20.25, 21.25, 18.25, 20.5]


PLAIN = "time_ms,heading\n" + "".join(f"{t:.2f},{k * 1.5}\n" for k, t in enumerate(TIMES))


def check(run):
    """The one run that every dialect here writes."""
    assert run.layout == "stamps"
    assert periods_ms(run) == PERIODS
    assert run.signals.values["heading_deg"].tolist() == [0.0, 1.5, 3.0, 4.5, 6.0]
    assert run.set_aside.counts == {"unfinished last loop": 1}
