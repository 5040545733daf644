"""Logs of calls, and what their loops hold."""

from tests.parsers.build import self_times

HEADER = "name,start_us,duration_us\n"


def write(tmp_path, text, name="log.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def by_name(run):
    """Self time [us] in each loop, by name."""
    return self_times(run, 1e3)
