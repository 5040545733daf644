"""Before and after: table, verdict and histogram speak of the same loops."""

import json
from collections.abc import Callable

import numpy as np
import pytest
from looptime_dashboards.pages.sides_page import judged_ms

from looptime.questions.asked import Asked
from looptime.questions.judging import compare
from looptime.views.figures.checks_figures import difference_by_call
from tests.browser.conftest import Site, Watched
from tests.build_run import make_run

Make = Callable[..., Watched]


def test_the_histogram_holds_the_loops_that_are_judged() -> None:
    """As many as the verdict counts, as long as it says, and their mean is the table's."""
    rng = np.random.default_rng(5)
    warm = np.linspace(60, 20, 40)
    runs = [make_run([*warm, *rng.normal(mean, 0.3, 1500)]) for mean in (20.0, 19.0)]
    at = compare(Asked(), [runs[0]], [runs[1]])
    mean = next(c for c in at.changes if c.statistic == "mean")
    for run, facts, told in zip(runs, (*at.before, *at.after), (mean.before, mean.after),
                                strict=True):  # fmt: skip
        ms = judged_ms(run, facts)
        assert len(ms) == facts.loops
        assert ms.sum() / 1e3 == pytest.approx(facts.duration_s)
        assert ms.mean() == pytest.approx(told)


def test_a_call_that_is_new_or_gone_is_called_so() -> None:
    """A read of 3 ms that is there after the change alone, and the other way round."""

    def with_it(loop: int) -> list[tuple[str, float, float]]:
        return [("drive.read", 0.0, 5 + 0.01 * (loop % 5)), ("gyro.read", 6.0, 3.0)]

    def without(loop: int) -> list[tuple[str, float, float]]:
        return [("drive.read", 0.0, 5 + 0.01 * (loop % 5))]

    old = make_run([20.0 + 0.01 * (k % 7) for k in range(600)], with_it)
    new = make_run([17.0 + 0.01 * (k % 7) for k in range(600)], without)
    asked = Asked(keep_warmup=True)
    gone = difference_by_call(compare(asked, [old], [new])).title
    assert gone.endswith("gyro.read, gone from the loop, makes up -3.00 ms of it")
    back = difference_by_call(compare(asked, [new], [old])).title
    assert back.endswith("gyro.read, new in the loop, makes up +3.00 ms of it")


def test_a_call_that_goes_against_the_change_is_told_beside_all_else() -> None:
    """Four reads of 1 ms become one of 2.5 ms: -1.5 is +2.5 and four times -1."""

    def singly(loop: int) -> list[tuple[str, float, float]]:
        return [(f"wheel{k}.read", 2.0 * k, 1 + 0.01 * (loop % 5)) for k in range(4)]

    def batched(loop: int) -> list[tuple[str, float, float]]:
        return [("wheels.read", 0.0, 2.5)]

    old = make_run([12.0 + 0.01 * (k % 7) for k in range(600)], singly)
    new = make_run([10.5 + 0.01 * (k % 7) for k in range(600)], batched)
    title = difference_by_call(compare(Asked(keep_warmup=True), [old], [new])).title
    head, _, rest = title.partition(": ")
    assert head == "The mean period changes by -1.50 ms a loop"
    assert rest == "wheels.read, new in the loop, +2.50 ms, all else -4.00 ms"


@pytest.mark.browser
def test_the_page_draws_what_the_table_counts(watch: Make, site: Site) -> None:
    """Loops over all bins of the figure are those that the page says were judged."""
    keys = site.keys
    path = f"/sides?run={keys['gyro_thread_own_bus']}&before={keys['single_reads']}"
    shown = watch().open(path, ".plot[data-key=both]")
    figure = json.loads(shown.locator(".plot[data-key=both]").get_attribute("data-figure"))
    told = shown.locator("[data-key=verdict]").inner_text().replace(",", "")
    for trace in figure["data"]:
        assert f"({sum(each[2] for each in trace['customdata'])} loops)" in told
