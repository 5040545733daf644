"""On which processors numpy is told to leave AVX-512 alone, and that values do not depend on it."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from looptime import __main__ as program

SAID = "NPY_DISABLE_CPU_FEATURES"
SELECTS = """
import sys, warnings; warnings.simplefilter("ignore")
import numpy as np
x = np.random.default_rng(1).lognormal(0, 0.1, 20_001)
print(*(float(np.partition(x, k)[k]).hex() for k in (0, 5_000, 10_000, 19_999)))
"""


@pytest.mark.parametrize(
    ("about", "told"),
    [
        ("AMD64 Family 25 Model 97 Stepping 2, AuthenticAMD", True),
        ("AMD64 Family 26 Model 68 Stepping 0, AuthenticAMD", False),
        ("AMD64 Family 250 Model 1 Stepping 0, AuthenticAMD", False),
        ("Intel64 Family 6 Model 151 Stepping 2, GenuineIntel", False),
        ("processor\t: 0\nvendor_id\t: AuthenticAMD\ncpu family\t: 25\nmodel\t\t: 17\n", True),
        ("processor\t: 0\nvendor_id\t: GenuineIntel\ncpu family\t: 6\nmodel\t\t: 25\n", False),
        ("", False),
    ],
)
def test_only_where_it_is_slow(monkeypatch, about, told):
    """One family of processors, as Windows and as Linux say it."""

    def no_file(*_, **__):
        raise FileNotFoundError

    monkeypatch.setattr(Path, "open", no_file)
    monkeypatch.setenv("PROCESSOR_IDENTIFIER", about)
    monkeypatch.setenv(SAID, "")
    monkeypatch.delenv(SAID)
    program._select_quickly()
    assert (SAID in os.environ) == told


def test_what_was_said_before_stays(monkeypatch):
    """Whoever starts the program has the last word."""
    monkeypatch.setenv("PROCESSOR_IDENTIFIER", "AMD64 Family 25, AuthenticAMD")
    monkeypatch.setenv(SAID, "AVX2")
    program._select_quickly()
    assert os.environ[SAID] == "AVX2"


def test_values_are_the_same():
    """The elements that a sort of all finds, whichever instructions select them."""
    how = {"env": os.environ | {SAID: program._SLOW_WAYS}, "capture_output": True, "text": True}
    said = subprocess.run([sys.executable, "-c", SELECTS], check=True, **how).stdout
    x = np.sort(np.random.default_rng(1).lognormal(0, 0.1, 20_001))
    assert said.split() == [float(x[k]).hex() for k in (0, 5_000, 10_000, 19_999)]
