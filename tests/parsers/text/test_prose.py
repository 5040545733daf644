"""Text that no logger wrote."""

import pytest

from looptime.errors import LogError
from tests.parsers.build import read


def test_prose_is_called_so(tmp_path):
    """Steps of an instruction come in turn and hold numbers, but each is said in its own words."""
    text = "".join(
        f"{k}. Turn the {what} by {3 * k} degrees and wait {k} s\n"
        for k, what in enumerate(("knob", "lever", "screw", "bolt", "nut"))
    )
    with pytest.raises(LogError, match="is prose and no log"):
        read(tmp_path, text)
