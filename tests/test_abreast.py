"""Parts of a log worked on side by side: in their order, and never too many at once."""

import multiprocessing
import threading

import pytest

from looptime.abreast import abreast, threads_for_a_log


@pytest.mark.parametrize("threads", [1, 2, 4])
def test_what_is_made_comes_in_order_whatever_ends_first(threads: int) -> None:
    """Later parts may be done before earlier ones; each is handed on in its turn."""
    done = [threading.Event() for _ in range(6)]

    def work(part: int) -> int:
        if threads > 1 and part == 0:
            assert done[1].wait(20)
        done[part].set()
        return part * part

    assert list(abreast(work, range(6), threads)) == [0, 1, 4, 9, 16, 25]


@pytest.mark.parametrize(("threads", "most"), [(1, 1), (2, 3)])
def test_no_more_parts_are_taken_than_may_be_under_way(threads: int, most: int) -> None:
    """A part more than there are threads, so that memory for blocks may be used in turn."""
    taken: list[int] = []

    def parts():
        for part in range(8):
            taken.append(part)
            yield part

    for number, _ in enumerate(abreast(lambda part: part, parts(), threads)):
        assert len(taken) <= number + most


def test_a_process_that_was_started_to_read_logs_uses_one_thread() -> None:
    """The one that starts it may use several."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        assert pool.apply(threads_for_a_log) == 1
