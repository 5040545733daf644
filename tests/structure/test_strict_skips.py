"""The plugin that turns skips into failures, seen through a real pytest run."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

SKIPPING = """
import pytest
import unittest

def test_passes():
    pass

def test_skips():
    pytest.skip("no compiler here")

@pytest.mark.skip(reason="marked out")
def test_marked():
    pass

@pytest.mark.xfail
def test_known_to_fail():
    raise AssertionError

class TestOldStyle(unittest.TestCase):
    def test_unittest(self):
        self.skipTest("no browser here")
"""

MODULE = """
import pytest
pytest.importorskip("no_such_module_at_all")

def test_never_seen():
    pass
"""


def run_pytest(folder: Path, ci: str | None, *options: str) -> subprocess.CompletedProcess[str]:
    env = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST_")}
    env.pop("CI", None)
    if ci is not None:
        env["CI"] = ci
    env["PYTHONPATH"] = str(ROOT)
    command = [sys.executable, "-m", "pytest", "-p", "tests.strict_skips", "-p", "no:dash"]
    command += ["-p", "no:cacheprovider", "--rootdir", str(folder), "-rs", *options, str(folder)]
    return subprocess.run(
        command, cwd=folder, env=env, capture_output=True, text=True, check=False, encoding="utf-8"
    )


def counts(output: str) -> dict[str, int]:
    closing = output.strip().splitlines()[-1]
    return {
        word.rstrip("s"): int(number)
        for number, word in re.findall(r"(\d+) (passed|failed|skipped|xfailed|errors?)", closing)
    }


@pytest.mark.parametrize("options", [(), ("-n", "1")], ids=["alone", "distributed"])
def test_a_skip_fails_with_ci_true_and_tells_why(tmp_path: Path, options: tuple[str, ...]) -> None:
    """Skips in the test, by a mark and by unittest fail; a known failure stays what it was."""
    (tmp_path / "test_skipping.py").write_text(SKIPPING, encoding="utf-8")
    done = run_pytest(tmp_path, "true", *options)
    assert done.returncode == 1
    assert counts(done.stdout) == {"passed": 1, "failed": 2, "error": 1, "xfailed": 1}
    for reason in ("no compiler here", "marked out", "no browser here"):
        assert re.search(f"a skip is a failure with CI=true: .*{reason}", done.stdout)


def test_a_module_that_skips_fails_with_ci_true(tmp_path: Path) -> None:
    """A module that skips while it is imported is an error, with its reason."""
    (tmp_path / "test_module.py").write_text(MODULE, encoding="utf-8")
    done = run_pytest(tmp_path, "true")
    assert done.returncode != 0
    assert "could not import 'no_such_module_at_all'" in done.stdout


@pytest.mark.parametrize("ci", [None, "false"])
def test_without_ci_a_skip_stays_a_skip(tmp_path: Path, ci: str | None) -> None:
    """On a laptop the tests that lack a tool are skipped, with the reason shown."""
    (tmp_path / "test_skipping.py").write_text(SKIPPING, encoding="utf-8")
    done = run_pytest(tmp_path, ci)
    assert done.returncode == 0
    assert counts(done.stdout) == {"passed": 1, "skipped": 3, "xfailed": 1}
    assert "no compiler here" in done.stdout
