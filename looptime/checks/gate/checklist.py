"""The checklist before a round: what was looked at, each with a tick, a cross or not judged."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import Any

import numpy as np

from looptime.analysers.freshness import Freshness
from looptime.analysers.summary import Summary
from looptime.checks.gate.gate import GateResult
from looptime.checks.gate.hung import Hung, hung, like, paired
from looptime.checks.gate.limits import Row
from looptime.checks.recording.facts import time_key
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.log import Log
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import SCHEMA_VERSION
from looptime.signal_names import AGE, TARGET_WORDS, of_battery, words_of
from looptime.words import listed, named, number, shell_word, supposing

__all__ = ["Checked", "Checklist", "checklist"]

# share of rows set aside, and of a recorder's lost ones, from which on a log is not sound
_ASIDE = 0.05
# new values slower than this share of the loop's rate, and holds so many times the usual, are stale
_STALE_RATE, _STALE_HOLD = 0.5, 5.0
# share of what the loops beyond a limit take longer that one call makes, if it is named
_MAKES = 0.5
# rows that tell that a value never changes, and words of what is set, counted, or is a state
_ROWS = 20
_NO_SENSOR = TARGET_WORDS | frozenset((
    "active", "alliance", "button", "count", "counter", "enabled", "err", "error", "errors",
    "faults", "flag", "flags", "gain", "id", "index", "kd", "ki", "kp", "limit", "max", "min",
    "mode", "nominal", "ok", "output", "phase", "retries", "score", "state", "status", "valid",
    "version",
))  # fmt: skip


@dataclass(frozen=True)
class Checked:
    """One line of the checklist."""

    what: str  #: What was looked at
    state: str  #: ``ok``, ``bad`` or ``not judged``
    text: str  #: What was found, in a few words
    action: str = ""  #: What to do next where it is bad; a command or a sentence


@dataclass(frozen=True)
class Checklist:
    """The checklist of some logs."""

    checks: tuple[Checked, ...]
    gate: GateResult  #: Whose verdict it has where no line is bad

    @property
    def judged(self) -> int:
        """Lines that have a tick or a cross."""
        return sum(one.state != "not judged" for one in self.checks)

    @property
    def verdict(self) -> str:
        """``pass``, ``fail`` or ``can't tell``: the gate's, and a cross anywhere is a fail."""
        return "fail" if any(one.state == "bad" for one in self.checks) else self.gate.verdict

    @property
    def exit_code(self) -> int:
        """As the gate's: 0, 1 or 3."""
        return 1 if self.verdict == "fail" else self.gate.exit_code

    @property
    def sentence(self) -> str:
        """Ready, as far as judged, or not, and why; with what that rests on."""
        return supposing(self._sentence(), [facts.supposed for facts in self.gate.new])

    def _sentence(self) -> str:
        bad = [one.what for one in self.checks if one.state == "bad"]
        if self.verdict == "fail":
            why = [f" ({one.text})" for one in self.checks if one.state == "bad"]
            said = why[0] if len(why) == 1 else ""
            if len(why) > 1 and bad[0] == "sensors":  # what hangs has its name first
                bad = [f"{bad[0]}{why[0]}", *bad[1:]]
            return f"Not ready: look at {', '.join(bad or ['the gate'])}{said}."
        if self.judged == len(self.checks) and self.gate.verdict == "pass":
            return f"Ready: {self.judged} of {self.judged} checks hold."
        left = [one.what for one in self.checks if one.state == "not judged"]
        return (
            f"Ready as far as judged: {self.judged} of {len(self.checks)} checks; not judged:"
            f" {', '.join(left) or 'the gate'}."
        )

    @property
    def action(self) -> str:
        """The one thing to do next; empty where there is none."""
        for state in ("bad", "not judged"):
            for one in self.checks:
                if one.state == state and one.action:
                    return one.action
        return ""

    def to_dict(self) -> dict[str, Any]:
        """What ``pit --json`` gives."""
        return {
            "schema_version": SCHEMA_VERSION,
            "verdict": self.verdict,
            "exit_code": self.exit_code,
            "sentence": self.sentence,
            "action": self.action or None,
            "judged": {"checks": self.judged, "of": len(self.checks)},
            "checks": [dict(one.__dict__) for one in self.checks],
        }


def checklist(
    logs: Sequence[Log], runs: Sequence[Run], summaries: Sequence[Summary], judged: GateResult,
    lacks: str = "",
) -> Checklist:  # fmt: skip
    """Go through the list for the logs of one robot.

    Parameters
    ----------
    logs : sequence of Log
        As read.
    runs : sequence of Run
        The part of them that is asked for.
    summaries : sequence of Summary
        Of those runs, or of their phases; none without a loop.
    judged : GateResult
        Of the same runs.
    lacks : str
        Which phases they or the baseline lack, where they can't be held against it.
    """
    words = [shell_word(log.path) for log in logs]
    first, paths = " ".join(words[:1]), " ".join(words)
    checks = (
        _sound(logs, judged), _budget(summaries, first), _limits(judged, summaries, first),
        _season(judged, paths, lacks), _names(judged, lacks), _timeouts(summaries),
        _sensors(runs, summaries, paths), _version(runs), _battery(runs),
    )  # fmt: skip
    return Checklist(tuple(sorted(checks, key=_gravity)), judged)


def _gravity(one: Checked) -> int:
    """Where a line stands: crosses first, of these a log that is not sound and sensors."""
    if one.state != "bad":
        return 2
    return 0 if one.what in ("log", "sensors") else 1


def _sound(logs: Sequence[Log], judged: GateResult) -> Checked:
    read = sum(log.rows_read for log in logs)
    aside = read - sum(log.rows_used for log in logs)
    dropped = sum(run.dropped for log in logs for run in log.runs)
    share = aside / read if read else 1.0
    text = f"{100 * share:.3g} % of {read:,} rows set aside, {dropped:,} lost by the recorder"
    if share > _ASIDE or dropped > _ASIDE * read:
        worst = sorted(logs, key=lambda log: log.rows_used - log.rows_read)[:1]
        paths = " ".join(shell_word(log.path) for log in worst)  # `columns` takes one
        return Checked("log", "bad", text, f"looptime columns {paths}")
    if judged.again:  # nothing new was looked at
        return Checked("log", "not judged", f"{text}; {judged.again}",
                       "see that it is the robot's last log")  # fmt: skip
    times = {key: at.time for at in judged.new if (key := time_key(at.time)) is not None}
    if not times:
        return Checked("log", "ok", text)
    first, last = times[min(times)], times[max(times)]
    text += f"; recorded {first}" + (f" to {last}" if last != first else "")
    newest = max((key for at in judged.baseline if (key := time_key(at.time))), default=None)
    if newest is not None and min(times) < newest:
        # what was recorded before the baseline's last run is not the robot as it stands here
        return Checked("log", "not judged", f"{text}, before the newest baseline run",
                       "see that it is the robot's last log")  # fmt: skip
    return Checked("log", "ok", text)


def _budget(summaries: Sequence[Summary], first: str) -> Checked:
    if not summaries:
        return Checked("pace", "bad", "no loop to say anything about", f"looptime columns {first}")
    worst = max(summaries, key=lambda at: at.pace.overruns.share or 0.0)
    over, p99 = worst.pace.overruns, worst.pace.period_ms.p99.value
    text = f"{worst.pace.rate_hz.by_time or 0:.3g} loops a second, 1 in 100 over {p99 or 0:.3g} ms"
    text += _which_part(worst, summaries)
    if over.budget_ms is None:
        todo = "state [loop] budget_ms in looptime.toml, or give --budget-ms"
        return Checked("pace", "not judged", f"{text}; no budget is stated", todo)
    every = sum(at.pace.overruns.count or 0 for at in summaries)
    in_all = f" there, {every:,} in all" if len(summaries) > 1 else ""
    text += f"; {over.count or 0:,} over {over.budget_ms:g} ms{in_all}"
    # without a stated limit an overrun is told and blocks nothing
    return Checked("pace", "ok", text)


def _which_part(worst: Summary, summaries: Sequence[Summary]) -> str:
    """Of which log and phase the figures are, where there are several."""
    if len(summaries) == 1:
        return ""
    logs = {at.run.source for at in summaries}
    log = f" in {PurePath(worst.run.source).name}" if len(logs) > 1 else ""
    phase = f" in phase {worst.phase}" if worst.phase is not None else ""
    return f"{log}{phase}, the worst of {len(summaries)} parts"


def _limits(judged: GateResult, summaries: Sequence[Summary], first: str) -> Checked:
    rows = [row for row in judged.rows if row.check == "limit"]
    if not rows:
        todo = "state [limits] in looptime.toml"
        return Checked("limits", "not judged", "none are stated", todo)
    found = _rows("limits", rows, "within all limits")
    if found.state != "bad":
        return found
    bad = [row for row in rows if row.verdict == "fail"]
    made = next((text for row in bad if (text := _made_by(row, summaries))), "")
    slow = f"looptime slow {first}" if first else ""
    return replace(found, text=found.text + made, action=slow)


def _made_by(row: Row, summaries: Sequence[Summary]) -> str:
    """The call that takes longer in the loops beyond a limit of the whole loop; empty for none."""
    quantity = row.what.partition(" ")[0]
    if row.call or row.unit != "ms" or row.limit is None or quantity not in ("period", "work"):
        return ""
    for at in summaries:
        basis = at.basis
        long = (basis.period_ms if quantity == "period" else basis.judged_ms) > row.limit
        usual = basis.typical & ~long
        if not long.any() or not usual.any():
            continue
        more = {}
        for code in np.unique(basis.pieces.name).tolist():
            ms = basis.table.series(code) / 1e6
            more[code] = float(ms[long].mean() - ms[usual].mean())
        whole = float(basis.period_ms[long].mean() - basis.period_ms[usual].mean())
        most = max(more, key=lambda code: more[code], default=None)
        if most is not None and more[most] > _MAKES * whole > 0:
            call = basis.run.names[most].name
            return (
                f"; {call} makes it: {number(more[most])} ms more in the {long.sum():,} loops of "
                f"more than {row.limit:g} ms"
            )
    return ""


def _season(judged: GateResult, paths: str, lacks: str) -> Checked:
    if lacks:
        text, _, todo = lacks.rpartition("; ")
        return Checked("season", "not judged", text or lacks, todo)
    rows = [row for row in judged.rows if row.check == "regression"]
    damaged = f"; {judged.left_out}" if judged.left_out else ""
    if "regression" not in judged.checked:
        todo = "keep a season: looptime season add FOLDER, then looptime season baseline QUERY"
        return Checked("season", "not judged", f"fewer than 5 baseline runs{damaged}", todo)
    return _rows("season", rows, f"as the {len(judged.baseline)} baseline runs{damaged}",
                 f"looptime gate {paths}")  # fmt: skip


def _rows(what: str, rows: Sequence[Row], good: str, action: str = "") -> Checked:
    bad = [row.what for row in rows if row.verdict == "fail"]
    if bad:
        return Checked(what, "bad", f"beyond the limit: {', '.join(bad[:4])}", action)
    vague = [row.what for row in rows if row.verdict == "can't tell" and row.decides]
    if vague:
        return Checked(what, "not judged", f"can't tell: {', '.join(vague[:4])}",
                       "record longer, or more runs")  # fmt: skip
    done = sum(row.verdict == "pass" for row in rows)
    return Checked(what, "ok", f"{good} ({done} of {len(rows)} figures judged)")


def _names(judged: GateResult, lacks: str) -> Checked:
    if lacks:
        return Checked("calls", "not judged", "the baseline is of other phases")
    if "regression" not in judged.checked:
        return Checked("calls", "not judged", "there is no baseline to know them from")
    other = judged.other_calls
    if other:
        names = listed([f"{call} ({note})" for call, note in other.items()], 4)
        return Checked("calls", "bad", names, "compare like code, or renew the baseline")
    if judged.same_calls:
        text = (
            f"as in the baseline at the same cost under other names: {listed(judged.same_calls, 4)}"
        )
        return Checked("calls", "ok", text)
    return Checked("calls", "ok", "the same as in the baseline")


def _timeouts(summaries: Sequence[Summary]) -> Checked:
    if not any(at.costs.calls for at in summaries):
        return Checked("timeouts", "not judged", "the log holds no calls")
    found = [
        (f"{call.name} {sign.count} times {sign.value_ms:.3g} ms", at.run.source)
        for at in summaries
        for call in at.blocking
        for sign in call.signs
        if sign.code == "timeout"
    ]
    if not found:
        return Checked("timeouts", "ok", "no call runs into a constant time")
    text = "; ".join(text for text, _ in found[:3])
    return Checked("timeouts", "bad", text, f"looptime slow {shell_word(found[0][1])}")


def _sensors(runs: Sequence[Run], summaries: Sequence[Summary], paths: str) -> Checked:
    """What stands still though its target moves, what the readings say, what never changed."""
    stuck = hung(runs)
    sure = [one for one in stuck if one.sure]
    if sure:
        text = "; ".join(_hung_words(one) for one in sure[:2])
        todo = f"see whether {sure[0].name} changes when what it measures is moved by hand"
        return Checked("sensors", "bad", text, todo)
    found, still = _stale(summaries, paths, _signals_paired(runs)), _still(runs, stuck)
    if found.state == "bad" or not still:
        return found
    text = f"{_still_words(runs, still)}: nothing to measure, or a sensor that hangs: can't tell"
    if found.action:
        return replace(found, text=f"{text}; {found.text}")
    todo = f"see that {still[0]} changes when what it measures is moved by hand, and log it"
    return Checked("sensors", "not judged", text, todo)


def _hung_words(one: Hung) -> str:
    text = (
        f"{one.name} hangs, or what it measures does not move: it stayed at {one.value:g} for "
        f"{one.seconds:.3g} s while its target {one.target} moved"
    )
    return f"{text} and {named(list(one.others))} followed" if one.others else text


def _signals_paired(runs: Sequence[Run]) -> set[str]:
    """Values that have a target: whether they may rest is told by that."""
    return {
        name for run in runs if run.signals is not None for name in paired([*run.signals.values])
    }


def _still(runs: Sequence[Run], stuck: Sequence[Hung]) -> list[str]:
    """What never changed, first that whose target did, and that whose likes did."""
    still = _never_changed(runs)
    moved = {one.name for one in stuck}
    return sorted(still, key=lambda name: (name not in moved, not _moving_likes(runs, name, still)))


def _moving_likes(runs: Sequence[Run], name: str, still: Sequence[str]) -> list[str]:
    every = dict.fromkeys(n for run in runs if run.signals is not None for n in run.signals.values)
    return [other for other in like(name, list(every)) if other not in still]


def _still_words(runs: Sequence[Run], still: Sequence[str]) -> str:
    others = _moving_likes(runs, still[0], still)
    while_ = f" while {named(others)} did" if others else ""
    rest = f", nor did {named(still[1:])}" if still[1:] else ""
    return f"{named(still[:1] if others else still)} never changed{while_}{rest if others else ''}"


def _never_changed(runs: Sequence[Run]) -> list[str]:
    """Logged values that are the same from first to last and that may be measured ones."""
    found: dict[str, bool] = {}
    for run in (run for run in runs if run.signals is not None):
        assert run.signals is not None
        for name, values in run.signals.values.items():
            known = values[np.isfinite(values)]
            if len(known) >= _ROWS and _measured(name, float(known[0])):
                found[name] = found.get(name, True) and bool((known == known[0]).all())
    return [name for name, same in found.items() if same]


def _measured(name: str, value: float) -> bool:
    """Whether a value that never changes may be a sensor's: no setting, state, count or battery.

    Examples
    --------
    >>> [_measured(name, 0.0) for name in ("range_mm", "bumper", "errors", "kp", "target_speed")]
    [True, False, False, False, False]
    """
    words = set(words_of(name))
    if words & _NO_SENSOR or of_battery(name) or name.endswith(AGE):
        return False
    # a switch, a phase or a count may well be 0 or 1 for long
    return value not in (0.0, 1.0) or meaning(name) == "signal"


def _stale(summaries: Sequence[Summary], paths: str, paired_with: Collection[str] = ()) -> Checked:
    readings = [
        one
        for at in summaries
        for one in at.freshness
        if one.fresh_hz
        and one.loop_hz
        and not of_battery(one.name)  # is slow by nature
        and (one.source != "signal" or one.own_pace)  # else held by what it measures
        and (one.source != "signal" or not TARGET_WORDS & set(words_of(one.name)))  # is set
    ]
    if not readings:
        return Checked("sensors", "not judged", "no reading or signal tells when it is new")
    old = [one for one in readings if _is_stale(one)]
    rests = [
        one for one in readings
        if one.source == "signal" and _held_long(one) and one.name not in paired_with
    ]  # fmt: skip
    if not old and rests:
        first = rests[0]
        longest = max(one.longest_hold_loops or 0 for one in rests)
        text = (
            f"{named([one.name for one in rests])} stayed the same for up to {longest:,} loops: at "
            "rest, or a sensor that hangs: can't tell"
        )
        todo = f"see whether the robot stood still while {first.name} stayed the same"
        return Checked("sensors", "not judged", text, todo)
    if not old:
        many = len({one.name for one in readings})
        what = "1 reading or signal is" if many == 1 else f"{many} readings and signals are"
        return Checked("sensors", "ok", f"{what} new as usual")
    text = "; ".join(
        f"{one.name} is new in one of {one.hold_loops:.3g} loops"
        if one.source == "signal" else
        f"{one.name} is new {one.fresh_hz:.3g} times a second, held {one.longest_hold_loops} loops"
        for one in old[:3]
    )  # fmt: skip
    return Checked("sensors", "bad", text, f"looptime summary --full {paths}")


def _is_stale(one: Freshness) -> bool:
    """Whether a reading is older than it should be; a signal that rests is not."""
    if one.source == "signal":
        return (one.hold_loops or 0.0) > 1 / _STALE_RATE
    slow = (one.fresh_hz or 0.0) < _STALE_RATE * (one.loop_hz or 0.0)
    return slow or _held_long(one)


def _held_long(one: Freshness) -> bool:
    return (one.longest_hold_loops or 0) > _STALE_HOLD * (one.hold_loops or 1.0)


def _version(runs: Sequence[Run]) -> Checked:
    named = sorted({run.meta.get("code_version", run.meta.get("version", "")) for run in runs})
    if "" in named:
        todo = 'write a line such as "# code_version: 1.4" into the log'
        return Checked("version", "not judged", "not named in the log", todo)
    if len(named) > 1:
        return Checked("version", "bad", f"{len(named)} versions: {', '.join(named[:4])}",
                       "check logs of one version at a time")  # fmt: skip
    return Checked("version", "ok", named[0])


def _battery(runs: Sequence[Run]) -> Checked:
    volts = [
        float(value)
        for run in runs
        if run.signals is not None
        for name, values in run.signals.values.items()
        if of_battery(name)
        for value in values[np.isfinite(values)]
    ]
    if not volts:
        return Checked("battery", "not judged", "no battery voltage in the log",
                       "log battery_v as a signal")  # fmt: skip
    return Checked("battery", "ok", f"{min(volts):.3g} V at least, {max(volts):.3g} V at most")
