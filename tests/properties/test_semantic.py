"""Whatever is done to a log: right figures, a caution, or one line that refuses it."""

import json
import warnings
import zlib

import numpy as np
import pytest

import looptime
from looptime.errors import LooptimeError
from looptime.tables import plain
from tests.properties import devices, handling  # noqa: F401 - enter their kinds of damage
from tests.properties.logs import check_books
from tests.properties.mutated import mutated
from tests.properties.semantic import DAMAGES, SHAPES, judge, make

#: Damage of which nothing in the log tells: without a clock and numbers, any order of rows may be,
#: and rows of another time are rows.
UNTOLD = {
    ("two_logs_line_by_line", "totals"), ("two_logs_line_by_line", "sections"),
    ("shuffled", "sections"), ("a_block_of_an_older_log", "sections"),
    ("two_logs_anyhow", "totals"), ("two_logs_anyhow", "sections"),
    ("rows_again_later", "sections"),
}  # fmt: skip


def seeded(*words):
    """A generator of its own for each case, the same every time."""
    return np.random.default_rng(zlib.crc32(" ".join(map(str, words)).encode()))


@pytest.mark.parametrize("shape", SHAPES)
def test_a_sound_log_gives_the_figures_that_it_was_made_of(tmp_path, shape):
    """Loops and parts of the robot that was played, in every layout."""
    for seed in range(3):
        made = make(shape, seeded("clean", shape, seed), 300)
        path = tmp_path / "log.csv"
        path.write_bytes(made.data())
        found = judge(made, path)
        assert found.kind == "right", found.text


@pytest.mark.parametrize("name", DAMAGES)
def test_damage_never_gives_a_wrong_figure_in_silence(tmp_path, name):
    """Each kind of damage in each layout: right, said, or refused in one line."""
    for shape in SHAPES:
        rng = seeded(name, shape, "short")
        made = DAMAGES[name](make(shape, rng, 300), rng)
        if made is None or (name, shape) in UNTOLD:
            continue
        path = tmp_path / "log.csv"
        path.write_bytes(made.data())
        found = judge(made, path)
        assert found.kind in ("right", "said", "refused"), f"{shape}: {found.text}"


def outcome(path):
    """What a mutated log came to: the error's line, or "" for books that balance and sound JSON."""
    try:
        log = looptime.read_log(path, cache=False)
        check_books(log)
        for run in log.runs[:5]:
            json.dumps(looptime.summarise(run).to_dict(), allow_nan=False, default=plain)
    except LooptimeError as error:
        return str(error)
    return ""


def test_mutated_logs(tmp_path):
    """Hundreds of mishaps: no traceback, no warning of a library, no error of two lines."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for seed in range(250):
            data, _ = mutated(seeded("mutated", seed))
            path = tmp_path / "log.csv"
            path.write_bytes(data)
            said = outcome(path)
            assert not any(mark in said for mark in "\n\r\x1b"), (seed, said)


@pytest.mark.parametrize("seed", [85_000_766, 85_004_722, 85_007_130, 91_001_930, 95_006_901])
def test_numbers_beyond_all_bounds_and_names_of_blanks(tmp_path, seed):
    """A count of 1e300, a stamp of 1e999, a name of blanks, a beat without a stall: no warning."""
    path = tmp_path / "log.csv"
    path.write_bytes(mutated(seeded("mutated", seed))[0])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert len(outcome(path).splitlines()) <= 1
