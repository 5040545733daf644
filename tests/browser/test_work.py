"""Quick answers first, full ones for those who stay; no browser is needed for it."""

import math
import threading
import time
from concurrent.futures import Future

import pytest
from looptime_dashboards.work import Pending, Work

from tests.browser.conftest import waited


def asked(work: Work, what: int, begun: list[int]) -> tuple[str, bool]:
    """The answer about a number; full ones that are begun are written down."""

    def full() -> str:
        begun.append(what)
        return f"all of {what}"

    return waited(lambda: work.twice(("about", what), full, lambda: f"some of {what}"))


def test_who_goes_on_quickly_starts_no_full_answer() -> None:
    """Five things asked for twice each within the rest: only quick answers are made."""
    work, begun = Work(rest_s=math.inf), []
    for what in range(5):
        for _ in range(2):
            assert asked(work, what, begun) == (f"some of {what}", True)
    for pool in (work._quick, work._pool):
        pool.shutdown()  # nothing is under way any more
    assert begun == []


def test_who_stays_gets_the_full_answer() -> None:
    """Asked again after the rest, the full answer is begun once, and given from then on."""
    work, begun = Work(rest_s=0.05), []
    assert asked(work, 1, begun) == ("some of 1", True)
    time.sleep(0.06)
    while (answer := asked(work, 1, begun)) != ("all of 1", False):
        assert answer == ("some of 1", True)
        time.sleep(0.01)
    assert begun == [1]


def test_what_is_under_way_says_how_far_it_is() -> None:
    """The share that work tells is in the words and beside them; forgotten with the answer."""
    work, go_on = Work(), threading.Event()
    with pytest.raises(Pending, match=r"Counting$"):
        work.get("count", go_on.wait, "Counting", 0.0)
    work.tell("count")(0.25)
    with pytest.raises(Pending, match="Counting: 25 %") as caught:
        work.get("count", go_on.wait, "Counting", 0.0)
    assert caught.value.share == 0.25
    go_on.set()
    assert work.get("count", go_on.wait, "Counting", 600.0) is True
    assert work.has("count")
    work.drop(lambda key: key == "count")
    assert not work.has("count")
    assert work.share("count") is None


@pytest.mark.parametrize("fails", [False, True])
def test_an_answer_that_comes_as_the_wait_ends_is_given(fails: bool) -> None:
    """Done between the end of the wait and the look at it: the answer, or its own failure."""

    class Late(Future[int]):
        """Is done the moment that somebody has waited for it in vain."""

        def result(self, timeout: float | None = None) -> int:
            """As of a future."""
            if timeout is None:
                return super().result()
            self.set_exception(TimeoutError("of the work")) if fails else self.set_result(7)
            raise TimeoutError

    work = Work()
    work._answers["x"], work._since["x"] = Late(), 0.0
    if fails:
        with pytest.raises(TimeoutError, match="of the work"):
            work.get("x", lambda: 1)
    else:
        assert work.get("x", lambda: 1) == 7
