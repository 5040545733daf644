"""The first suggestions for a log: what an expert would sign, on one screen."""

import re
from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.errors import UsageError
from looptime.planner.answer.predict import predict
from looptime.planner.search.suggest import _Search, _Tried, suggest
from looptime.project import Heading
from looptime.views.text.suggestions_text import render_suggestions
from looptime.views.text.terminal import show
from tests.build_run import make_flat_run, make_run
from tests.planner.build import BUSES, finite
from tests.planner.robot import Robot, record
from tests.two_threads import Job, play


def lines(found, capsys):
    """The text without --full."""
    show(render_suggestions(found))
    return capsys.readouterr().out.splitlines()


def plain(n=300):
    """Four wheel encoders, a range finder, two writes, telemetry: nobody named a bus."""
    calls = [(f"encoder.{k}.read", 1.2 * k, 1.2) for k in range(4)]
    calls += [("range.read", 5, 2), ("drive.set", 7, 1), ("arm.set", 8, 1), ("work", 9, 1)]
    names = {name: "sensor read" for name, *_ in calls[:5]}
    return make_run([10.2] * n, calls, {**names, "drive.set": "actuator write",
                                         "arm.set": "actuator write"})  # fmt: skip


@pytest.mark.parametrize(("took", "names", "said"), [
    (2.0, {}, "Nothing to try: no call that is known to read a sensor"),
    (0.01, {"Kreisel": "sensor read"}, "Nothing to try: no call that is known to read a sensor"),
    (0.01, {"Kreisel": "telemetry"}, "Nothing is proposed: no remedy tried would be seen"),
])  # fmt: skip
def test_nothing_to_try_is_told_from_nothing_that_helps(took, names, said, capsys):
    """Where nobody knows what the dear calls are, the way to say so is shown."""
    calls = [("Kreisel", 0, took), ("Antrieb", 2.5, 6)]
    found = suggest(make_run([9.0, 9.2] * 200, calls, names), keep_warmup=True)
    assert not found.proposed
    show(render_suggestions(found, project=True))
    assert "  > looptime guide project-file\n" in capsys.readouterr().out
    told = lines(found, capsys)
    assert told[0].startswith(said)
    assert "  > looptime summary LOG --draft-project looptime.toml" in told
    assert "Antrieb" in {one.text for one in found.not_proposed}
    assert ("is done there: Antrieb." in " ".join(told)) == (names.get("Kreisel") == "telemetry")


def named(range_ms=5.0, n=300):
    """A range finder on a bus of its own, and four wheels on another, one of which once waits."""
    calls, at = [("range.read", 0, range_ms)], range_ms
    for k, ms in enumerate((1.2, 1.2, 1.2, 2.4)):
        calls.append((f"wheel.{k}.read", at, ms))
        at += ms
    calls.append(("drive.set", at, 1))
    names = {name: {"kind": "sensor read", "bus": "can", "batchable": True} for name, *_ in calls}
    names["range.read"] = {"kind": "sensor read", "bus": "serial"}
    names["drive.set"] = {"kind": "actuator write", "bus": "can"}
    return make_run([at + 2.0] * n, calls, names)


def test_what_clearly_gains_most_stands_first_and_names_the_cheap_one(capsys):
    """In a thread the whole 8 ms are gained; every fourth loop gains 6 of them, 75 %."""
    found = suggest(named(8.0), keep_warmup=True)
    first, second = found.proposed[:2]
    assert first.changes == ("thread range.read",)
    assert first.gain_ms.value == pytest.approx(-8.0, abs=0.1)
    assert second.changes == ("every range.read loops=4",)
    assert first.trade.startswith("Read range.read in every fourth loop gives 75 % of it for less")
    assert "would be" in first.trade
    assert "gives 75 % of it" in " ".join(" ".join(lines(found, capsys)).split())


def test_all_reads_stated_batchable_go_into_one_batch():
    """One that costs twice as much is of the same batch, as its bus and batchable are stated."""
    found = suggest(named(0.5), keep_warmup=True)
    assert found.proposed[0].changes == ("batch wheel.*.read",)
    assert {"wheel.0.read", "wheel.3.read"} <= set(found.remedies[0].calls)


def test_encoders_are_batched_and_not_thinned_out(capsys):
    """One batch leads; a reading by which wheels are placed is not proposed to be made rarer."""
    found = suggest(plain(), keep_warmup=True)
    assert found.proposed[0].changes == ("batch encoder.*.read",)
    assert not any("every encoder" in c for p in found.proposed for c in p.changes)
    assert any(p.changes == ("every range.read loops=4",) for p in found.proposed)
    text = lines(found, capsys)
    assert len(text) <= 25
    assert text[0].startswith("Read 4 x encoder.*.read in one batch")
    assert any("First see that they sit on one bus" in line for line in text)
    assert any('--change "batch encoder.*.read"' in line for line in text)


def test_an_assumed_share_is_no_certainty():
    """Writes on change: from nothing to nine tenths of what they take."""
    found = suggest(plain(), keep_warmup=True)
    gain = next(p.gain_ms for p in found.proposed if p.changes[0].startswith("on-change"))
    assert gain.low < -1.6
    assert gain.high > 0
    assert gain.value == pytest.approx(-1.0, abs=0.15)


def test_what_is_assumed_is_as_open_in_a_plan_of_several():
    """Half of 2 ms of writes may be none or nine tenths: 1.0 ms less gained, or 0.8 ms more.

    So it is in each plan that has them, beside what is open of the others, also for a target.
    """
    found = suggest(plain(), keep_warmup=True, target_hz=105)
    with_them = [p for p in found.proposed if any(c.startswith("on-change") for c in p.changes)]
    assert len(with_them) > 2
    for plan in with_them:
        gain = plan.gain_ms
        assert gain.high - gain.value > 1.0
        assert gain.value - gain.low > 0.8
        assert plan.worst_ms["mean"] > plan.mean_ms + 0.95
        assert plan.meets_targets == (plan.worst_ms["mean"] <= 1e3 / 105)
    (alone,) = [p for p in with_them if len(p.changes) == 1]
    assert not alone.meets_targets  # 9.2 ms as assumed would, 10.2 would not


def test_a_thread_in_the_way_comes_first(capsys):
    """A rest for it leads, then the read back in the loop, or a bus of its own."""
    played = play(
        {
            "main": lambda rng: [
                Job("enc.1.read", 1.2, "a"),
                Job("enc.2.read", 1.2, "a"),
                Job("work", 3.0 + rng.uniform(0, 0.5)),
            ],
            "gyro": lambda rng: [Job("gyro.read", 3.0, "a", gap_ms=0.5)],
        },
        600,
    )
    found = suggest(played.run(), keep_warmup=True)
    verbs = [p.changes[0].split()[0] for p in found.proposed if len(p.changes) == 1]
    assert verbs[0] == "rest"
    assert {"unthread", "move"} <= set(verbs)
    wait = sum(played.wait_ms().values())
    assert -wait < found.proposed[0].gain_ms.value < -0.7 * wait
    text = " ".join(lines(found, capsys))
    assert "Let thread gyro rest" in text
    assert f"the loop waits {wait:.1f}"[:16] in text


def test_a_timeout_is_capped():
    """Rare turns of 50 ms of a read that else takes 1 ms."""

    def calls(k):
        slow = k % 40 == 7
        yield "camera.read", 0, 50 if slow else 1
        yield "work", 50 if slow else 1, 4

    run = make_run([54.0 if k % 40 == 7 else 5.0 for k in range(400)], calls,
                   {"camera.read": "sensor read", "work": "compute"})  # fmt: skip
    first = suggest(run, keep_warmup=True).proposed[0]
    assert first.changes[0].startswith("cap camera.read ms=")
    assert "a timeout of" in first.say


def test_a_slow_write_goes_to_a_thread():
    """A write of 4 ms on a bus of its own is handed to a thread."""
    calls = [("lift.set", 0, 4), ("enc.read", 4, 1), ("work", 5, 4)]
    names = {"lift.set": {"kind": "actuator write", "bus": "aux"},
             "enc.read": {"kind": "sensor read", "bus": "port"}, "work": "compute"}  # fmt: skip
    found = suggest(make_run([10.0] * 300, calls, names), keep_warmup=True)
    plan = next(p for p in found.proposed if p.changes == ("thread lift.set",))
    assert plan.say == "Write lift.set in a thread"
    assert plan.gain_ms.value == pytest.approx(-4, abs=0.05)


def test_suggestions_are_sound():
    """The batch is found; nothing on another bus, no read of the heading made rarer."""
    run = record(Robot(), 10, loops=1500)
    run = run.with_names(tuple(n for n in run.names))
    found = suggest(run, buses=BUSES, target_hz=600, heading_call="gyro.read")
    finite(found.to_dict())
    texts = [change for p in found.proposed for change in p.changes]
    assert "batch encoder.*.read" in texts
    assert not any(text.startswith("every gyro.read") for text in texts)
    assert any("cannot be reached" in line and "floor" in line for line in found.targets)
    gains = [p.gain_ms for p in found.proposed if "later" not in p.changes[0]]
    assert all(gain.low <= gain.value < 0 for gain in gains)
    assert gains[0].high < 0
    several = [len(p.changes) > 1 for p in found.proposed]
    assert several == sorted(several), "single remedies before several together"
    assert all(p.say and p.check for p in found.proposed)
    left = {p.text: p.why for p in found.not_proposed}
    assert "heading" in left["every gyro.read loops=4"]


def test_targets_within_reach_come_first():
    """A target that some plan meets: that plan leads, and the line says so."""
    run = record(Robot(), 10, loops=1000)
    found = suggest(run, buses=BUSES, target_hz=110)
    assert found.proposed[0].meets_targets
    assert "can be reached" in found.targets[0]
    easy = suggest(run, buses=BUSES, target_hz=20)
    assert "met today" in easy.targets[0]
    with pytest.raises(UsageError, match="--target-hz"):
        suggest(run, target_hz=-1)


def test_a_target_is_met_only_at_the_less_favourable_end():
    """A p99 of 10 to 12 ms does not keep to 11 ms, nor a mean of 8 to 9 ms to 120 Hz."""
    tried = _Tried((8.5, 8.0, 9.0), (11.0, 10.0, 12.0), (8.5, 8.0, 9.0), {})

    def meets(hz, p99):
        return _Search(None, hz, p99, print)._meets(tried)

    assert (meets(None, 11.0), meets(None, 12.0)) == (False, True)
    assert (meets(120.0, None), meets(110.0, None)) == (False, True)
    assert (meets(110.0, 11.0), meets(110.0, 12.0)) == (False, True)
    assert meets(None, None) is None


@pytest.mark.parametrize(
    ("hz", "said"),
    [(50, "met today"), (80, r"by the pace alone \(pace hz=80\)"),
     (200, r"cannot be reached .* at that pace \(pace hz=200\); the floor is 10\.0\d ms. "
           "Dearest today: work 10.00 ms, radio.send 0.50 ms.$")],
)  # fmt: skip
def test_a_paced_loop_comes_to_a_rate_with_its_pace(hz, said):
    """Work of 10.5 ms in a period of 20 ms: the wait is no floor and no cost."""
    calls = [("work", 0, 10.0), ("radio.send", 10, 0.5), ("wait", 10.5, 9.5)]
    names = {"work": "compute", "radio.send": "telemetry", "wait": "pacing"}
    found = suggest(make_run([20.0] * 300, calls, names), target_hz=hz, keep_warmup=True)
    (line,) = found.targets
    assert re.search(said, line), line


def test_a_target_is_answered_first_and_no_reason_is_empty(capsys):
    """The first line is about the target; a plan of several remedies has its reasons in full."""
    told = " ".join(lines(suggest(plain(), target_hz=50), capsys))
    assert told.startswith("Target 50 Hz (mean 20.00 ms): met today (10.20 ms). ")
    assert "Why: ." not in told


def test_the_wait_outside_the_loops_row_is_no_work(tmp_path):
    """Loops of 20 ms whose row ends after 2 + 5 ms: sending every 250 ms saves less than the 5."""
    sent = [5 + k % 5 / 10 for k in range(400)]
    rows = "".join(f"{20 * k}.0,{2 + ms:.1f},2.0,{ms:.1f}\n" for k, ms in enumerate(sent))
    path = tmp_path / "log.csv"
    path.write_text("t_ms,total_ms,imu_ms,telemetry_ms\n" + rows, encoding="utf-8")
    found = suggest(looptime.read(path, cache=False), keep_warmup=True)
    assert found.now_work_ms == pytest.approx(7.2, abs=0.01)
    gains = [p.gain_ms.value for p in found.proposed if p.changes[0].startswith("every telemetry")]
    assert gains
    assert -5.3 <= min(gains) <= max(gains) <= -4.3  # 1 loop in 12 or 13 sends still


def test_no_plan_gains_more_than_the_pace_that_few_loops_wait_for():
    """A loop waits until 10 ms after its start, if it takes less, which one in fifty does.

    Of its 12 ms a read of 6 could go: with it gone the loop takes 10 ms, and it is said why.
    """
    rng = np.random.default_rng(3)
    read, own = rng.uniform(5.8, 6.2, 1000), rng.uniform(5.8, 6.2, 1000)
    own[::50] = rng.uniform(3, 3.6, 20)
    wait = np.maximum(10 + rng.uniform(0, 0.03, 1000) - read - own, 0)
    run = make_flat_run(
        ((read + own + wait) * 1e6).astype(np.int64),
        {"range.read": (read * 1e6).astype(np.int64), "work": (own * 1e6).astype(np.int64),
         "sleep": (wait * 1e6).astype(np.int64)},
        {"range.read": "sensor read", "work": "compute", "sleep": "pacing"},
    )  # fmt: skip
    found = suggest(run, keep_warmup=True)
    assert found.proposed
    assert found.floor_ms["mean"] == pytest.approx(10, abs=0.03)
    assert all(plan.mean_ms >= 9.99 for plan in found.proposed)
    assert "will end the gain" in found.to_dict()["warnings"][0]


def frames(loops=2600):
    """A camera gives a frame each 30 ms, and the loop waits for it between 3 ms and 1 ms of work.

    The waits are what is left: 26 ms, give or take what the reads before it vary by.
    """
    rng = np.random.default_rng(7)
    gyro, set_ = rng.uniform(2.6, 3.4, loops), rng.uniform(0.9, 1.1, loops)
    wait = 30 - gyro - np.append(0, set_[:-1])
    wait += np.diff(rng.uniform(0, 0.02, loops + 1))
    parts = {"gyro.read": gyro, "frame.read": wait, "wheels.set": set_}
    kinds = {"gyro.read": {"kind": "sensor read", "bus": "port"},
             "frame.read": {"kind": "sensor read", "bus": "usb"},
             "wheels.set": {"kind": "actuator write", "bus": "port"}}  # fmt: skip
    took = {name: (ms * 1e6).round().astype(np.int64) for name, ms in parts.items()}
    return make_flat_run(sum(took.values()), took, kinds)


def test_nothing_is_gained_before_a_wait_for_frames_and_the_thread_gets_no_more_of_them():
    """Half the gyro's time, or writes left out, are waited for too; only fewer waits help.

    It then has a frame each 30 ms whatever the loop does in its 4: at their use frames are between
    0 and 30 ms old, each age as likely, and so many milliseconds more as they are picked up later.
    """
    found = suggest(frames(), keep_warmup=True)
    assert found.proposed[0].changes == ("thread frame.read",)
    assert all("frame.read" in p.changes[0] for p in found.proposed if len(p.changes) == 1)
    held = Heading(read_call="frame.read", use_call="wheels.set", read_instant="end")
    made = predict(frames(), ["thread frame.read"], keep_warmup=True, heading=held)
    age = made.predicted.age_at_first_use_ms["frame.read"]
    assert age["mean"].value == pytest.approx(15, abs=0.5)
    assert age["p95"].value == pytest.approx(28.5, abs=0.5)
    assert made.predicted.period_ms["mean"].value == pytest.approx(4, abs=0.05)
    seldom = predict(frames(), ["thread frame.read rest-ms=40"], keep_warmup=True, heading=held)
    age = seldom.predicted.age_at_first_use_ms["frame.read"]
    assert age["mean"].value == pytest.approx(30, abs=1)


@pytest.mark.parametrize(
    ("p99_ms", "said"),
    [
        (11.0, r"Target p99 of 11 ms: met today \(10.20 ms\)\.$"),
        (9.0, r"Target p99 of 9 ms: can be reached; today it is 10.20 ms\.$"),
        (8.0, r"Target p99 of 8 ms: can't tell: the best plan takes 4.60 to 8.60 ms, by what is"),
        (0.5, r"Target p99 of 0.5 ms: cannot be reached by the remedies tried; the floor is "),
    ],
)
def test_a_target_of_the_longest_loops_is_answered(p99_ms, said):
    """Every loop takes 10.2 ms, 4.8 of them four reads that may go in one batch."""
    found = suggest(plain(), target_p99_ms=p99_ms, keep_warmup=True)
    (line,) = found.targets
    assert re.search(said, line), line
    assert all(p.meets_targets == (p.worst_ms["p99"] <= p99_ms) for p in found.proposed)
    assert any(p.meets_targets for p in found.proposed) == (p99_ms >= 9)


def moved(subsystem):
    """A read of 2.5 ms of some subsystem, and a write that moves the lift."""
    return [("tray.read", 0, 2.5), ("lift.set", 3, 1.0)], {
        "tray.read": {"kind": "sensor read", "subsystem": subsystem},
        "lift.set": {"kind": "actuator write", "subsystem": "lift"},
    }


def read_last():
    """A write at the begin of each loop, and the read of the next one's heading at its end."""
    return [("drive.set", 0, 1.0), ("plan", 1, 3.0), ("gyro.read", 4, 2.5)], {
        "drive.set": "actuator write", "gyro.read": "sensor read",
    }  # fmt: skip


def wheels(*took_ms):
    return [(f"wheel.{k}.read", 2 * k, ms) for k, ms in enumerate(took_ms)], {
        f"wheel.{k}.read": "sensor read" for k in range(len(took_ms))
    }


@pytest.mark.parametrize(
    ("log", "heading", "left", "why"),
    [
        (wheels(1.2, 1.2, 1.2, 4.0), None, "batch wheel.3.read", "costs otherwise than 3 x wheel"),
        (wheels(0.5, 4.0), None, "batch wheel.*", "their costs differ"),
        (wheels(1.2, 1.2), None, "batch wheel.*", None),
        (moved("lift"), None, "every tray.read loops=4", "lift may be steered by it"),
        (moved("tray"), None, "every tray.read loops=4", None),
        (moved("tray"), "tray.read", "every tray.read loops=4", "it reads the heading"),
        (wheels(2.5), "wheel.0.read", "later wheel.0.read", "no actuator write is known"),
        (read_last(), "gyro.read", "later gyro.read", "no actuator write comes after it"),
        (read_last(), "drive.set", "later drive.set", "no actuator write comes after it"),
    ],
)
def test_what_is_left_out_says_why(log, heading, left, why):
    """Reads of unlike costs, of what they steer, and a heading that nothing in the log uses."""
    found = suggest(make_run([10.0] * 300, *log), keep_warmup=True, heading_call=heading)
    said = {one.text: one.why for one in found.not_proposed}
    assert (left in said) == (why is not None)
    assert (why or "") in said.get(left, "")


def test_a_plan_has_one_p99():
    """What a search says of a plan is what the prediction of the same plan says."""
    run = record(Robot(), 3, loops=900)
    found = suggest(run, buses={}, keep_warmup=True)
    batch = next(p for p in found.proposed if p.changes[0].startswith("batch "))
    told = predict(run, batch.changes, buses={}, keep_warmup=True)
    after = told.predicted.period_ms
    assert batch.p99_ms == pytest.approx(after["p99"].value, rel=1e-6)
    assert batch.mean_ms == pytest.approx(after["mean"].value, rel=1e-6)
    assert batch.worst_ms["p99"] > batch.p99_ms  # nobody knows what a batch costs on this bus


@pytest.mark.parametrize(("stall_ms", "then"), [(9.0, "looptime slow LOG"),
                                                (0.0, "looptime guide recorders")])  # fmt: skip
def test_where_no_remedy_helps_the_next_step_is_said(stall_ms, then, capsys):
    """All calls are known and none helps: to the loops that stall, or to what is not timed yet."""
    rows = [[("solve", 0, 8 + stall_ms * (j % 40 == 7)), ("lamp.set", 20, 0.01)]
            for j in range(600)]  # fmt: skip
    names = {"solve": "compute", "lamp.set": "actuator write"}
    run = make_run([21 + stall_ms * (j % 40 == 7) for j in range(600)], lambda j: rows[j], names)
    found = suggest(run, keep_warmup=True)
    assert not found.proposed
    assert found.not_proposed
    assert f"  > {then}" in lines(found, capsys)


def test_an_age_says_at_which_instant_it_is_taken():
    """A loop that writes nothing has no first use: its end stands for it, and that is said."""
    calls = [("gyro.read", 0, 2), ("range.read", 2, 5), ("solve", 7, 2)]
    reads = dict.fromkeys(("gyro.read", "range.read"), "sensor read")
    for names, said in (({}, "at the loop's end (its use, as no write is known)"),
                        ({"solve": "actuator write"}, "at first use")):  # fmt: skip
        run = make_run([9.2] * 400, calls, {**reads, **names})
        found = suggest(run, keep_warmup=True)
        assert found.use == said
        told = predict(run, ["thread range.read rest-ms=50"], keep_warmup=True)
        assert told.use == said
        assert any(f"old {said} on average" in plan.why for plan in found.proposed)


def test_what_to_make_sure_of_is_said_to_its_end(capsys):
    """Four remedies at once: each with what to see first, some 400 letters together."""
    found = suggest(plain(), keep_warmup=True)
    check = "; ".join(f"{'look at the tray lift ' * 5}in pass {k}" for k in range(1, 5))
    told = replace(found, proposed=(replace(found.proposed[0], check=check),))
    said = " ".join(" ".join(line.split()) for line in lines(told, capsys))
    assert f"First {check}." in said
