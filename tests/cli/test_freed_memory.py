"""Where a large log is read, what the program frees is used again and not given back."""

import ctypes
import subprocess
import sys
from pathlib import Path

import pytest

#: Arrays of 48 MB, one after the other: the pages that were cleared for each but the first.
PROGRAM = """
import sys
import looptime.__main__ as program
program._LARGE = int(sys.argv[1])
program._keep_freed_memory(sys.argv[2:])
import resource
import numpy as np
cleared = [resource.getrusage(resource.RUSAGE_SELF).ru_minflt
           for _ in range(6) if np.ones(6_000_000).any()]
print(*[after - before for before, after in zip(cleared, cleared[1:])])
"""
LOG = str(Path(__file__))


@pytest.mark.skipif(
    sys.platform == "win32" or not hasattr(ctypes.CDLL(None), "mallopt"),
    reason="the C library has no such switch",
)
@pytest.mark.parametrize(
    ("least", "word", "kept"), [(1, LOG, True), (1 << 30, LOG, False), (1, "no such log", False)]
)
def test_pages_are_cleared_once_where_a_log_is_large(least, word, kept):
    """And for each array where it is not, or where a word of the command line is no file."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(least), "slow", word],
        capture_output=True, check=True, env={"NUMPY_MADVISE_HUGEPAGE": "0"},
        cwd=Path(__file__).resolve().parents[2],
    )  # fmt: skip
    cleared = [int(number) for number in done.stdout.split()]
    assert len(cleared) == 5
    assert all(number < 100 for number in cleared) if kept else min(cleared) > 1000
