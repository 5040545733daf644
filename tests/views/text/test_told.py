"""The answer comes first, bookkeeping last, and a screen holds what is printed without --full."""

import io
from functools import partial

import numpy as np
import pytest
from rich.text import Text

from looptime.findings import summarise
from looptime.parsers.log import Log
from looptime.views.text.summary_text import render_summary
from looptime.views.text.terminal import show
from looptime.views.text.told import SCREEN, OneOf, Told, why
from tests.benchmarks.scenarios import SCENARIOS
from tests.views.text.build import text_of


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


@pytest.mark.parametrize(("before", "rows"), [(20, 10), (30, 6), (38, 10)])
def test_of_a_part_in_several_forms_the_longest_that_fits_is_shown(before, rows) -> None:
    """Of 40 lines the answer and the hint take one each; what was shortened is there in full.

    Room for the shortest is kept: what would take it is left out.
    """
    calls = OneOf(tuple(partial(block, "call", many) for many in (10, 6)))
    told = Told("The loop is fine.", tables=(block("first", before), calls))
    assert text_of(told).count("call ") == rows
    assert ("--full" in text_of(told)) == (rows < 10 or before == 38)
    assert text_of(told.parts(full=True)).count("call ") == 10


def test_what_is_counted_and_printed_is_drawn_once() -> None:
    """A table is drawn once for a pipe, though its lines are counted before it is printed."""
    drawn = []

    class Part:
        def __rich_console__(self, console, options):
            drawn.append(options.max_width)
            yield Text("a row")

    out = io.StringIO()
    show(Told("The loop is fine.", tables=((Part(),),)).parts(), out)
    assert out.getvalue() == "The loop is fine.\na row\n"
    assert drawn == [100]


@pytest.mark.parametrize("name", [s.name for s in SCENARIOS][::4])
def test_a_summary_is_one_screen(name: str) -> None:
    """At 100 columns no summary is longer than a screen, and its cause is in the first lines."""
    run = next(s for s in SCENARIOS if s.name == name).make(np.random.default_rng(3))
    found = summarise(run, budget_ms=15)
    lines = text_of(render_summary(Log("a.csv", (run,)), [found]), 100).splitlines()
    assert len(lines) <= SCREEN + 1
    assert "loops a second" in lines[0]
    assert found.findings[0].text[:40] in " ".join(lines[1:5])
    assert not found.costs.calls or any("Where the time goes" in line for line in lines)
    for word in ("ppm", "1/T", "spell", "Holm", "slow+"):
        assert word not in "\n".join(lines)
