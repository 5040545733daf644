"""The answer comes first, bookkeeping last, and a screen holds what is printed without --full."""

from __future__ import annotations

import numpy as np
import pytest
from rich.text import Text

from looptime.findings import summarise
from looptime.parsers.log import Log
from looptime.views.text.strips import bars, histogram_lines, strip_lines
from looptime.views.text.summary_text import render_summary
from looptime.views.text.told import SCREEN, Told, why
from tests.benchmarks.scenarios import SCENARIOS
from tests.views.text.test_summary_text import text_of


def block(name: str, lines: int) -> tuple[Text, ...]:
    return tuple(Text(f"{name} {k}") for k in range(lines))


TOLD = Told(
    "The loop is fine.", why("because", "looptime slow LOG"), (block("first", 5), block("big", 60),
    block("small", 3)), block("more", 2), block("book", 2),
)  # fmt: skip


def test_blocks_stand_in_order() -> None:
    """Answer, why, a command, the tables that fit, bookkeeping; what is kept back is said."""
    lines = [line.strip() for line in text_of(TOLD).splitlines() if line.strip()]
    assert lines[:3] == ["The loop is fine.", "because", "> looptime slow LOG"]
    assert [line.split()[0] for line in lines[3:]] == [
        *["first"] * 5, *["small"] * 3, "What", "book", "book", "--full",
    ]  # fmt: skip


def test_all_of_it_and_the_answer_alone() -> None:
    """With --full nothing is left out; with --quiet one line is printed."""
    whole = text_of(TOLD.parts(full=True))
    assert whole.count("big") == 60
    assert whole.index("more 1") < whole.index("book 0")
    assert "--full" not in whole
    assert text_of(TOLD.parts(quiet=True)) == "The loop is fine.\n"


@pytest.mark.parametrize("name", [s.name for s in SCENARIOS][::4])
def test_a_summary_is_one_screen(name: str) -> None:
    """At 100 columns no summary is longer than a screen, and its cause is in the first lines."""
    run = next(s for s in SCENARIOS if s.name == name).make(np.random.default_rng(3))
    found = summarise(run, budget_ms=15)
    lines = text_of(render_summary(Log("a.csv", (run,)), [found]), 100).splitlines()
    assert len(lines) <= SCREEN + 1
    assert "loops a second" in lines[0]
    assert found.findings[0].text[:40] in " ".join(lines[1:5])
    for word in ("ppm", "1/T", "spell", "Holm", "slow+"):
        assert word not in "\n".join(lines)


def test_bars_show_what_there_is() -> None:
    """Heights in eighths; what is above nothing shows; letters where blocks cannot be shown."""
    assert bars(np.array([0, 0.001, 0.25, 0.5, 1])) == " ▁▂▄█"
    assert bars(np.array([0, 0.001, 0.25, 0.5, 1]), "ascii") == " .:=#"
    assert bars(np.array([1.0]), None) == "#"


def test_a_histogram_and_a_strip_by_hand() -> None:
    """Four loops of 1 ms and one of 5 ms; a long loop in the middle of three seconds."""
    shape, scale = histogram_lines(np.array([1.0, 1, 1, 1, 5]), width=12)
    assert (shape[0], shape[-1], shape[1:-1].strip()) == ("█", "▄", "")
    assert scale.startswith("1 ms") or scale.startswith("1.00 ms")
    assert scale.endswith("5.00 ms and more")
    shape, scale = strip_lines(np.array([0.0, 1, 2, 3]), np.array([2.0, 8, 2, 2]), width=4)
    assert shape == "▂█▂▂"
    assert scale.split() == ["0", "s", "3.00", "s"]
