"""A test that waits in vain is ended, one on a slow machine is not."""

import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.browser.conftest import Watched
from tests.browser.guard import Guard, Hung, Idle, family, wants_processor

pytestmark = pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="needs Linux's /proc")


def test_only_idle_time_counts() -> None:
    """Three idle seconds to one busy one come to a limit of 4 s in 6; even halves never do."""
    idle = Idle(4.0)
    assert [idle.passed(1.0, k % 4 == 3) for k in range(8)] == [False] * 5 + [True, False, False]
    idle = Idle(4.0)
    assert not any(idle.passed(1.0, k % 2 == 1) for k in range(1000))


def test_who_computes_wants_the_processor() -> None:
    """A process that counts does, at some look; one that waits to be told to end does not."""
    busy, quiet = (
        subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        for code in ("print(flush=True)\nwhile True: pass", "print(flush=True)\ninput()")
    )
    try:
        for one in (busy, quiet):
            assert one.stdout is not None
            one.stdout.readline()  # it has started
        while not wants_processor([busy.pid]):
            pass
        while wants_processor([quiet.pid]):  # on its way to its wait
            pass
        mine = family(threading.main_thread().native_id or 0)
        assert {busy.pid, quiet.pid} <= set(mine)
    finally:
        for one in (busy, quiet):
            one.kill()
            one.communicate()


def test_a_wait_in_vain_is_ended() -> None:
    """A lock that nobody lets go is waited for no longer, and the words say why."""
    said: list[str] = []
    with Guard(1.0, said.append), pytest.raises(Hung, match="never came"):
        threading.Event().wait()
    assert "nobody wanted the processor for 1 s" in said[0]


@pytest.mark.browser
def test_a_page_that_never_answers_is_ended(watch: Callable[..., Watched]) -> None:
    """The library waits for a promise without a limit; the browser goes, and the wait with it."""
    page = watch(checked=False).page
    with Guard(1.0, lambda _: None), pytest.raises(Exception, match="closed"):
        page.evaluate("() => new Promise(() => {})")


@pytest.mark.browser
def test_the_next_test_has_a_new_browser(watch: Callable[..., Watched]) -> None:
    """What was ended for one test is there for the next."""
    assert watch().page.evaluate("() => 6 * 7") == 42
