"""Events of a lock: a loop and a thread that holds what it needs, simulated event by event."""

import numpy as np
import pytest

from tests.parsers.build import balance, read, self_ms

LOOPS = 300


def locked(seed=1):
    """Events (time [us], thread, what) on one lock, and what each loop waited and held it [ms].

    The loop works for 5 ms, asks for the lock and has it for 2 ms; a camera's thread asks each
    15 ms and has it for 6.
    """
    rng = np.random.default_rng(seed)
    now, free, asks, events, waits = 0.0, 0.0, 3000.0, [], []

    def turn(at, who, takes):
        had = max(at, free) + 1.0
        for t, what in ((at, "wait"), (had, "acquired"), (had + takes, "released")):
            events.append((round(t), who, what))
        return had, had + takes

    for _ in range(LOOPS):
        now += round(rng.uniform(4500, 5500))
        while asks <= now:
            had, free = turn(asks, "camera", 6000.0)
            asks = max(free, asks + 15000.0) + 700.0
        had, free = turn(now, "main", 2000.0)
        waits.append((had - now) / 1e3)
        now = free
    return sorted(events, key=lambda e: e[0]), np.array(waits)


FORMS = {
    "named": ("t_us,thread,event,object\n", "{t},{who},lock_{what},i2c\n"),
    "camel": ("time_us;evt;obj;task\n", "{t};Mutex{What};i2c;{who}\n"),
    "bare": ("", "{s:.6f} {who} mutex_{what} i2c\n"),
}


@pytest.mark.parametrize("form", FORMS)
def test_events_of_a_lock_are_waits_and_what_is_held(tmp_path, form):
    """Each loop's wait is from asking until it has the lock, and it holds it for 2 ms.

    The camera's thread holds it for 6 ms each time.
    """
    head, line = FORMS[form]
    events, waits = locked()
    rows = "".join(line.format(t=t, s=t / 1e6, who=who, what=what, What=what.capitalize())
                   for t, who, what in events)  # fmt: skip
    run = read(tmp_path, head + rows)
    assert run.thread_names[run.loop_thread] == "main"
    pieces = self_ms(run)
    assert pieces["i2c wait"] == pytest.approx(waits[: len(run)], abs=2e-3)
    assert pieces["i2c held"] == pytest.approx([2.0] * len(run), abs=2e-3)
    at = run.call_columns
    held = next(code for code, name in enumerate(run.names) if name.name == "i2c held")
    others = at.duration_ns[(at.thread != run.loop_thread) & (at.name == held)]
    assert others / 1e6 == pytest.approx([6.0] * len(others), abs=2e-3)
    assert next(n.kind for n in run.names if n.name == "i2c wait") == "wait"
    balance(run)


def test_who_has_a_lock_at_once_may_not_say_that_it_asked(tmp_path):
    """A thread that only says that it has the lock and lets it go holds it, and waits for nothing.

    A phase of two words, of which one is met in locks too, makes no log one of locks.
    """
    rows = "".join(
        f"{k * 9000},main,acquire,can\n{k * 9000 + 1500},main,release,can\n" for k in range(40)
    )
    assert self_ms(read(tmp_path, "t_us,thread,event,object\n" + rows)) == {
        "can held": pytest.approx([1.5] * 39)
    }
    rows = "".join(f"{20 * k},{'wait' if k % 9 < 4 else 'drive'},{3 + k % 2}\n" for k in range(60))
    assert read(tmp_path, "t_ms,state,gyro_ms\n" + rows).layout != "edges"
