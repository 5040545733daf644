"""Findings of threads that hinder each other."""

from __future__ import annotations

from dataclasses import replace

import pytest

from looptime.findings import summarise
from tests.findings.build import codes
from tests.two_threads import Job, play


def two_threads(lock, rest_ms):
    """A loop that reads two encoders on bus a, and a gyro thread on some lock."""
    return play(
        {
            "main": lambda rng: [
                Job("enc.1.read", 1.2, "a"),
                Job("enc.2.read", 1.2, "a"),
                Job("calc", 2.0 + rng.uniform(0, 1)),
            ],
            "gyro": lambda rng: [Job("gyro.read", 2.6, lock, gap_ms=rng.uniform(*rest_ms))],
        },
        600,
    )


def test_thread_that_hinders_the_loop_comes_first():
    """The first finding says with its milliseconds what the loop waits for a thread."""
    played = two_threads("a", (0.5, 2))
    top = summarise(played.run()).findings[0]
    assert (top.code, top.severity) == ("thread_wait", "act")
    assert top.value == pytest.approx(sum(played.wait_ms().values()), rel=0.05)
    assert top.low < top.value < top.high
    assert set(top.evidence.calls) == {"enc.1.read", "enc.2.read", "gyro.read"}
    assert "for gyro.read on thread gyro" in top.text


def test_calls_that_do_not_hinder_each_other_are_not_on_one_bus():
    """A label that puts both on one bus is doubted where both are served at once."""
    run = two_threads("b", (0.5, 2)).run()
    assert not {"thread_wait", "bus_label"} & set(codes(run))
    names = tuple(replace(n, bus=None if n.name == "calc" else "port") for n in run.names)
    found = codes(run.with_names(names))
    assert "bus_label" in found
    assert "thread_wait" not in found
