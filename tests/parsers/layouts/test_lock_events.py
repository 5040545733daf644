"""Events of a lock: a loop and a thread that holds what it needs, simulated event by event."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.contention import contention
from tests.parsers.build import balance, periods_ms, read, self_ms

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
    "tried": ("us thread what name\n", "{t} {who} lock_{tried} i2c\n"),
}


@pytest.mark.parametrize("form", FORMS)
def test_events_of_a_lock_are_waits_and_what_is_held(tmp_path, form):
    """Each loop's wait is from asking until it has the lock, and it holds it for 2 ms.

    The camera's thread holds it for 6 ms each time.
    """
    head, line = FORMS[form]
    events, waits = locked()
    tried = {"wait": "try", "acquired": "got", "released": "free"}
    rows = "".join(line.format(t=t, s=t / 1e6, who=who, what=what, What=what.capitalize(),
                               tried=tried[what])
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


NESTED = {
    "named": ("t_ms,thread,event,lock\n", "{t:.3f},{who},{what},{lock}\n"),
    "turned": ("t_ms,lock,event,task\n", "{t:.3f},{lock},{what},{who}\n"),
    "bare": ("", "{s:.6f},{who},{what},{lock}\n"),
}


@pytest.mark.parametrize("form", NESTED)
def test_one_lock_within_another_turns_no_locks_into_threads(tmp_path, form):
    """Every 20 ms the loop asks for the bus, has it for 4 ms and the map for 1.9 ms of them.

    Neither is the loop, and a wait for a lock is none for the next tick.
    """
    rng, text = np.random.default_rng(2), NESTED[form][0]
    waits = rng.uniform(0.1, 3, 200)
    for k, wait in enumerate(waits):
        mine = ((0, "want", "bus"), (wait, "got", "bus"), (wait + 1, "want", "map"),
                (wait + 1.1, "got", "map"), (wait + 3, "release", "map"),
                (wait + 4, "release", "bus"))  # fmt: skip
        others = (10, "want", "map"), (10.1, "got", "map"), (12, "release", "map")
        for who, events in (("main", mine), ("gyro", others)):
            text += "".join(
                NESTED[form][1].format(t=20 * k + t, s=(20 * k + t) / 1e3, who=who, what=what,
                                       lock=lock) for t, what, lock in events)  # fmt: skip
    run = read(tmp_path, text)
    assert set(run.thread_names) == {"main", "gyro"}
    assert set(periods_ms(run)) == {20.0}
    pieces = self_ms(run)
    assert pieces["bus wait"] == pytest.approx(waits[: len(run)], abs=2e-3)
    assert pieces["bus held"] == pytest.approx([2.0] * len(run), abs=3e-3)
    assert pieces["map held"] == pytest.approx([1.9] * len(run), abs=3e-3)
    assert prepare(run).waits.wait_ns is None
    balance(run)


def test_a_lock_by_any_name_is_waited_for_and_no_result(tmp_path):
    """The loop waits while the camera's thread has what both ask for; the log names no lock so."""
    events, waits = locked()
    rows = "".join(f"{t},{who},{what},camera\n" for t, who, what in events)
    run = read(tmp_path, "t_us,thread,event,object\n" + rows)
    found = contention(prepare(run))
    assert not found.results
    (entry,) = found.found
    assert (entry.calls, entry.thread) == (("camera held",), "camera")
    assert entry.wait_ms_per_loop.value == pytest.approx(waits.mean(), rel=0.1)
    assert {name.kind for name in run.names} == {"wait", "other"}


def test_who_gives_up_has_waited_and_holds_nothing(tmp_path):
    """Each fifth time the loop asks for 2 ms in vain, else it has the lock after 0.2 ms."""
    text = "t_ms,thread,event,lock\n"
    for k in range(100):
        t = 20 * k
        text += f"{t + 3},main,wait,bus\n"
        text += (f"{t + 5},main,acquire_timeout,bus\n" if k % 5 == 0 else
                 f"{t + 3.2},main,acquired,bus\n{t + 6},main,released,bus\n")  # fmt: skip
        text += f"{t + 8},gyro,wait,bus\n{t + 8.1},gyro,acquired,bus\n{t + 12},gyro,released,bus\n"
    run = read(tmp_path, text)
    at, code = run.call_columns, [name.name for name in run.names].index("bus wait")
    mine = (at.name == code) & (at.thread == run.thread_names.index("main"))
    took = np.sort(at.duration_ns[mine]) / 1e6
    assert set(took.round(3)) == {0.2, 2.0}
    assert set(run.set_aside.counts) <= {"before first loop", "unfinished last loop"}
    balance(run)


def test_a_lock_that_its_thread_takes_once_more_is_waited_for_and_held_once(tmp_path):
    """Within each stretch in which a thread has the lock it asks for it again and lets it go once.

    Where a row is lost what is had and let go does not come out even; the rows still balance.
    """
    head, line = FORMS["named"]
    events, waits = locked()
    more = [(t + at, who, what) for t, who, was in events if was == "acquired"
            for at, what in ((500, "wait"), (501, "acquired"), (1500, "released"))]  # fmt: skip
    rows = [line.format(t=t, who=who, what=what)
            for t, who, what in sorted(events + more, key=lambda e: e[0])]  # fmt: skip
    run = read(tmp_path, head + "".join(rows))
    pieces = self_ms(run)
    assert pieces["i2c wait"] == pytest.approx(waits[: len(run)], abs=2e-3)
    assert pieces["i2c held"] == pytest.approx([2.0] * len(run), abs=2e-3)
    balance(run)
    lost = next(k for k, row in enumerate(rows) if "main,lock_released" in row)
    balance(read(tmp_path, head + "".join(rows[:lost] + rows[lost + 1 :])))


def hand_over_hand(rng):
    """Each 20 ms the loop takes the rail, then the lift, and lets the rail go before the lift.

    It has the rail for 3 ms, and the lift from the last of them on for 4; a scale's thread has the
    rail just before it, so that the loop waits. Returns the events and those waits [ms].
    """
    events, waits = [], rng.uniform(0.2, 1.5, 200)
    for k, wait in enumerate(waits.tolist()):
        t = 20.0 * k
        theirs = ((0.5, "want", "rail"), (0.501, "got", "rail"), (2 + wait, "free", "rail"))
        got = 2 + wait + 0.01
        mine = ((2, "want", "rail"), (got, "got", "rail"), (got + 2, "want", "lift"),
                (got + 2.001, "got", "lift"), (got + 3, "free", "rail"),
                (got + 6, "free", "lift"))  # fmt: skip
        events += [(t + at, who, what, lock) for who, rows in (("scale", theirs), ("main", mine))
                   for at, what, lock in rows]  # fmt: skip
    return sorted(events), waits


WORDS = {"want": "wanted", "got": "got", "free": "released"}


def test_locks_that_are_let_go_out_of_order_are_all_told(tmp_path):
    """Who takes the next lock before letting go of the last holds both for 1 ms: no row is lost."""
    events, waits = hand_over_hand(np.random.default_rng(3))
    text = "t_ms,lock,thread,event\n" + "".join(
        f"{t:.3f},{lock},{who},{WORDS[what]}\n" for t, who, what, lock in events
    )
    run = read(tmp_path, text)
    assert set(run.set_aside.counts) <= {"before first loop", "unfinished last loop"}
    assert run.thread_names[run.loop_thread] == "main"
    pieces = self_ms(run)
    n = len(run)
    assert pieces["rail wait"] == pytest.approx(waits[:n] + 0.01, abs=2e-3)
    assert pieces["rail held"] == pytest.approx([2.0] * n, abs=4e-3)  # and 1 ms with the lift
    assert pieces["lift held"] == pytest.approx([4.0] * n, abs=4e-3)
    balance(run)
    (entry,) = contention(prepare(run)).found
    assert (entry.thread, entry.partners) == ("scale", ("rail held",))
    assert entry.wait_ms_per_loop.value == pytest.approx(waits.mean(), rel=0.05)


def test_a_lost_row_of_a_lock_taken_twice_costs_its_own_turn_alone(tmp_path):
    """Three rows of different kinds are lost; all other turns are told as without."""
    events, waits = locked()
    twice = [(t + at, who, what) for t, who, was in events if was == "acquired"
             for at, what in ((500, "acquired"), (1500, "released"))]  # fmt: skip
    rows = [f"{t},{who},lock_{what},i2c\n" for t, who, what in sorted(events + twice)]
    mine = [k for k, row in enumerate(rows) if "main," in row and "wait" not in row]
    gone = {mine[4 * 50 + 1], mine[4 * 120 + 2], mine[4 * 200 + 3]}
    text = "t_us,thread,event,object\n" + "".join(
        row for k, row in enumerate(rows) if k not in gone
    )
    run = read(tmp_path, text)
    balance(run)
    assert len(run) >= LOOPS - 1 - 2 * 2  # a turn without its end leaves two loops open
    assert self_ms(run)["i2c held"] == pytest.approx([2.0] * len(run), abs=2e-3)
    told = np.array(self_ms(run)["i2c wait"])
    assert np.abs(told[:, None] - waits).min(axis=1).max() < 2e-3
    assert run.set_aside.counts["begin without end"] == 2


@pytest.mark.parametrize("head", ["t_us,thread,event,object", "t_us,owner,event,resource"])
def test_who_lets_a_lock_go_without_a_name_is_who_has_it(tmp_path, head):
    """The same events, of which those that release it name nobody."""
    events, waits = locked()
    rows = [f"{t},{'' if what == 'released' else who},lock_{what},i2c" for t, who, what in events]
    run = read(tmp_path, "\n".join([head, *rows]) + "\n")
    assert run.thread_names[run.loop_thread] == "main"
    pieces = self_ms(run)
    assert pieces["i2c wait"] == pytest.approx(waits[: len(run)], abs=2e-3)
    assert pieces["i2c held"] == pytest.approx([2.0] * len(run), abs=2e-3)
    of_camera = run.call_columns.duration_ns[~run.on_loop_thread]
    assert of_camera.max() / 1e6 == pytest.approx(6.0, abs=2e-3)


#: Headers and rows of calls and of a lock's events in one log; the names of the lock, if any.
BESIDE = {
    "own column": ("t_us,thread,event,name,lock", "{t},{who},{what},{call},{lock}", "state"),
    "one column": ("time_us,who,what,object", "{t},{who},{what},{call}{lock}", "state"),
    "no name": ("t_us,thread,event,name", "{t},{who},{what},{call}", "lock"),
}


def of_calls_and_a_lock(words, loops=200):
    """Events (time [us], thread, what, call, lock) of passes that wait 0 or 1.5 ms for a radio.

    The radio takes the lock every fourth pass, 1.5 ms before it is let go again; words are those
    of asking, having and letting go.
    """
    wait, got, free = words
    rows, at = [], 0
    for k in range(loops):
        rows += [(at, "ctl", "begin", "step", ""), (at + 10, "ctl", "begin", "sense", ""),
                 (at + 2510, "ctl", "end", "sense", "")]  # fmt: skip
        waited = 1500 if k % 4 == 3 else 0
        if waited:
            rows += [(at + 2000, "radio", w, "", "state") for w in (wait, got)]
            rows.append((at + 4019, "radio", free, "", "state"))
        had = at + 2520 + waited
        rows += [(at + 2520, "ctl", wait, "", "state"), (had, "ctl", got, "", "state"),
                 (had + 400, "ctl", free, "", "state"), (had + 410, "ctl", "begin", "act", ""),
                 (had + 2210, "ctl", "end", "act", ""), (had + 2220, "ctl", "end", "step", ""),
                 (had + 2230, "ctl", "frame_seen", "", "")]  # fmt: skip
        at = had + 2250 + 10 * (k % 3)
    return sorted(rows, key=lambda row: row[0])


@pytest.mark.parametrize("form", BESIDE)
@pytest.mark.parametrize("words", [("lock_wait", "lock_got", "lock_free"),
                                   ("want", "acquired", "released")])  # fmt: skip
def test_calls_and_a_lock_in_one_log(tmp_path, form, words):
    """A pass waits 1.5 ms in every fourth loop, and holds the lock for 0.4 ms in each."""
    head, line, lock = BESIDE[form]
    rows = [line.format(t=t, who=who, what=what, call=call, lock=of)
            for t, who, what, call, of in of_calls_and_a_lock(words)]  # fmt: skip
    run = read(tmp_path, "\n".join([head, *rows]) + "\n")
    pieces, loops = self_ms(run), np.arange(len(run))
    assert len(run) == 199
    assert pieces["sense"] == [2.5] * 199
    assert pieces[f"{lock} wait"] == pytest.approx(np.where(loops % 4 == 3, 1.5, 0.0), abs=2e-3)
    assert pieces[f"{lock} held"] == pytest.approx([0.4] * 199)
    at = run.call_columns
    held = next(code for code, name in enumerate(run.names) if name.name == f"{lock} held")
    others = at.duration_ns[(at.thread != run.loop_thread) & (at.name == held)]
    assert others.tolist() == [2_019_000] * len(others)
    assert len(others) >= 49
    assert any("'frame_seen'" in note for note in run.clock.notes)


def test_events_that_nobody_knows_are_set_aside_between_begins_and_ends(tmp_path):
    """The same log, whose events of the lock have words of their own: calls last as long."""
    rows = [f"{t},{who},{what},{call or lock}" for t, who, what, call, lock in
            of_calls_and_a_lock(("push", "peek", "pop"))]  # fmt: skip
    run = read(tmp_path, "t_us,thread,event,name\n" + "\n".join(rows) + "\n")
    assert {name.name for name in run.names} == {"sense", "act"}
    assert self_ms(run)["act"] == [1.8] * len(run) == [1.8] * 199
    assert (run.set_aside.reason == run.set_aside.reason[0]).sum() == 200 * 4 + 50 * 3


TAKEN = {
    "beside its lock": ("time_us,thread,event,call,lock\n", "{t},{who},{what},{call},bus0\n"),
    "and no lock": ("us;thread;what;event\n", "{t};{who};{call};lock {what}\n"),
    "lock first": ("lock time_us thread event call\n", "bus0 {t} {who} {what} {call}\n"),
}


@pytest.mark.parametrize("form", TAKEN)
def test_calls_that_take_a_lock_are_calls_with_their_waits(tmp_path, form):
    """A name of one thread alone is no lock, which nobody would need.

    A call lasts from asking to letting go: the loop's waits, and the 2 ms for which it has the
    lock. The next one may be asked for in the row ahead of that, at one instant.
    """
    head, line = TAKEN[form]
    events, waits = locked()
    gyro = [(t, who, what, "grab" if who == "camera" else "gyro") for t, who, what in events]
    rows: list[tuple] = []
    for t, who, what, call in gyro:
        rows.append((t, who, what, call))
        if (call, what) == ("gyro", "released"):  # of a lock that nobody else has
            rows.insert(-1, (t, who, "wait", "arm"))
            rows += [(t, who, "acquired", "arm"), (t + 900, who, "released", "arm")]
    text = "".join(line.format(t=t, who=who, what=what, call=call)
                   for t, who, what, call in sorted(rows, key=lambda r: r[0]))  # fmt: skip
    run = read(tmp_path, head + text)
    assert set(run.set_aside.counts) <= {"before first loop", "unfinished last loop"}
    calls = run.calls
    threads = set(zip(calls["name"], calls["thread"], strict=True))
    names = {"gyro": "main", "arm": "main", "grab": "camera"}
    waited = {f"{name}.lock.wait": who for name, who in names.items()}
    assert threads <= {*names.items(), *waited.items()}
    assert threads >= {*names.items(), ("gyro.lock.wait", "main")}
    mine = calls[calls["name"] == "gyro"]["duration_ns"].to_numpy() / 1e6
    assert mine == pytest.approx((waits + 2.0)[: len(mine)], abs=0.003)
    found = contention(prepare(run)).found
    assert [(one.calls, one.thread, one.partners) for one in found] == [
        (("gyro",), "camera", ("grab",))
    ]
    own = waits[: len(run)] - 0.001
    assert found[0].wait_ms_per_loop.value == pytest.approx(
        own[own > 0.002].sum() / len(run), rel=0.02
    )


def test_names_that_say_lock_are_locks_though_one_thread_alone_has_each(tmp_path):
    """What is held of them stays what is held."""
    rows = "".join(
        f"{10_000 * k + at},{who},{what},{lock}_mutex\n"
        for k in range(60)
        for at, who, what, lock in (
            (0, "main", "wait", "gyro"), (9, "main", "acquired", "gyro"),
            (100, "cam", "wait", "grab"), (104, "cam", "acquired", "grab"),
            (4000 + k % 9, "main", "released", "gyro"), (7000 + k % 7, "cam", "released", "grab"),
        )
    )  # fmt: skip
    names = {name.name for name in read(tmp_path, "time_us,thread,event,lock\n" + rows).names}
    assert names == {f"{one}_mutex {what}" for one in ("gyro", "grab") for what in ("wait", "held")}
