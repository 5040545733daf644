"""Commands do work that grows with what a log has many of as a line does."""

import contextlib
import io
import os
import sys

import numpy as np
import pytest

from looptime import cli

#: Each command on LOG, and on OTHER of the same kind.
COMMANDS = {
    "summary": "summary LOG", "slow": "slow LOG", "plan": "plan LOG", "columns": "columns LOG",
    "heading": "heading LOG --motion steady:90", "compare": "compare LOG --against OTHER",
    "gate": "gate LOG", "pit": "pit LOG", "export": "export LOG --out out.csv",
    "report": "report LOG --out out.html", "draft": "summary LOG --draft-project LOG.toml",
    "add": "season add LOG --season season --replace --processes 1",
}  # fmt: skip


def of_names(many, seed):
    """So many calls in each of 700 loops."""
    took = np.random.default_rng(seed).integers(4, 11, (700, many)).tolist()
    step = 12 * many + 500
    rows = [f"c{k},{step * j + 12 * k},{took[j][k]}" for j in range(700) for k in range(many)]
    return "\n".join(["name,start_us,duration_us", *rows, ""])


def of_phases(many, seed):
    """So many phases of five loops each, two calls a loop."""
    took = np.random.default_rng(seed).integers(2000, 2400, (many * 5, 2)).tolist()
    rows = [
        f"phase {j // 5},{name},{9000 * j + at},{took[j][k]}"
        for j in range(many * 5) for k, (name, at) in enumerate((("imu", 0), ("drive", 3000)))
    ]  # fmt: skip
    return "\n".join(["phase,name,start_us,duration_us", *rows, ""])


def work(words):
    """Python functions and generators entered while a command runs, on this thread."""
    count = 0

    def note(_frame, event, _what):
        nonlocal count
        count += event == "call"

    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        sys.setprofile(note)
        try:
            assert cli.run(words) in (0, 3)
        finally:
            sys.setprofile(None)
    return count


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(("make", "size"), [(of_names, 60), (of_phases, 50)])
def test_twice_as_many_are_twice_the_work(tmp_path, monkeypatch, command, make, size):
    """Where work grew with the square, four times as much would be done for twice as many."""
    monkeypatch.chdir(tmp_path)
    found = []
    for many in (size, size, 2 * size):  # the first run also loads modules
        for seed in (1, 2):
            (tmp_path / f"{many}-{seed}.csv").write_text(make(many, seed), encoding="utf-8")
        words = COMMANDS[command].replace("LOG", f"{many}-1.csv").replace("OTHER", f"{many}-2.csv")
        with contextlib.suppress(FileNotFoundError):
            os.unlink(f"{many}-1.csv.toml")
        found.append(work([*words.split(), "--no-cache", "--keep-warmup"]))
    assert found[2] < 2.7 * found[1]
