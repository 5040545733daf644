"""What of a heading study is refused."""

import pytest

from looptime.errors import UsageError
from looptime.heading import Setup


@pytest.mark.parametrize(
    "wrong",
    [
        {"integration": "simpson"}, {"path_heading": "end"}, {"speed_m_s": 0.0},
        {"latency_ms": -1.0}, {"slow_ms": 0.0},
    ],
)  # fmt: skip
def test_bad_setup_is_refused(wrong):
    """Rules, headings, speeds and times that cannot be are errors of use."""
    with pytest.raises(UsageError):
        Setup(**wrong)
