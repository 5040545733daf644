"""A pytest plugin: where ``CI=true`` is set, a test that skips has failed.

On a laptop a missing tool may skip the tests that need it. Where the whole suite is promised, a
skip would hide that nothing was tested.
"""

import os
from collections.abc import Generator

import pytest

__all__ = ["skips_fail"]


def skips_fail() -> bool:
    """Whether the environment asks that skips count as failures."""
    return os.environ.get("CI", "").strip().lower() in {"true", "1"}


def _reason(longrepr: object) -> str:
    if isinstance(longrepr, tuple) and len(longrepr) == 3:
        path, line, reason = longrepr
        return f"{path}:{line}: {reason}"
    return str(longrepr)


def _fail_if_skipped(report: pytest.TestReport | pytest.CollectReport) -> None:
    if report.outcome != "skipped" or hasattr(report, "wasxfail") or not skips_fail():
        return
    report.outcome = "failed"
    report.longrepr = f"a skip is a failure with CI=true: {_reason(report.longrepr)}"


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a test's skip, in any of its phases, into a failure."""
    report = yield
    _fail_if_skipped(report)
    return report


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Turn the skip of a whole module into an error of its collection."""
    report = yield
    _fail_if_skipped(report)
    return report
