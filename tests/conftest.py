"""What tests of several folders need."""

import os
import shutil
import tempfile

import pytest
from hypothesis import HealthCheck, settings

__all__ = ["need_tool"]

# no test reads or leaves prepared copies in the cache of whoever runs it
os.environ["LOOPTIME_CACHE"] = ""

# a busy machine is slow now and then, which is no fault of the code under test; and every machine
# tries the same examples
settings.register_profile(
    "looptime",
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("looptime")


@pytest.fixture(scope="session", autouse=True)
def own_temporary_folder(tmp_path_factory):
    """What programs under test put among temporary files goes with them, however they end."""
    tmp_path_factory.getbasetemp()  # stays where it is
    before = os.environ.get("TMPDIR")
    with tempfile.TemporaryDirectory(prefix="looptime-", ignore_cleanup_errors=True) as folder:
        os.environ["TMPDIR"] = tempfile.tempdir = folder
        yield
        tempfile.tempdir = None
        os.environ.pop("TMPDIR")
        os.environ |= {} if before is None else {"TMPDIR": before}


def need_tool(name: str) -> str:
    """Return the path of a program; without it skip the test, or fail it where CI=true is set."""
    path = shutil.which(name)
    if path is not None:
        return path
    reason = f"needs {name}, which is not on this machine"
    if os.environ.get("CI", "").strip().lower() in {"true", "1"}:
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)
