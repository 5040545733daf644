"""The checklist before a round: what was looked at, each with a tick, a cross or not judged."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import Any

import numpy as np

from looptime.analysers.part import is_idle
from looptime.analysers.summary import Summary
from looptime.checks.gate.checked import Checked
from looptime.checks.gate.gate import GateResult
from looptime.checks.gate.limits import Row
from looptime.checks.gate.sensors import sensors
from looptime.checks.recording.facts import time_key
from looptime.parsers.log import Log
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import SCHEMA_VERSION
from looptime.signal_names import of_battery
from looptime.words import listed, number, shell_word, supposing

__all__ = ["WORDS", "Checked", "Checklist", "checklist"]

#: What is said first of a list, by how it stands.
WORDS = {
    "ready": "Ready", "partly": "Ready as far as judged", "not ready": "Not ready",
    "can't tell": "Can't tell whether it is ready",
}  # fmt: skip

# share of rows set aside, and of a recorder's lost ones, from which on a log is not sound
_ASIDE = 0.05
# share of what the loops beyond a limit take longer that one call makes, if it is named
_MAKES = 0.5
# durations within this share of each other are one constant
_ALIKE = 0.02


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
    def standing(self) -> str:
        """How the list stands, one of `WORDS`."""
        if self.verdict == "fail":
            return "not ready"
        if self.judged == len(self.checks) and self.gate.verdict == "pass":
            return "ready"
        # nothing is ready that the gate can't tell
        return "can't tell" if self.exit_code else "partly"

    @property
    def exit_code(self) -> int:
        """As the gate's: 0, 1 or 3."""
        return 1 if self.verdict == "fail" else self.gate.exit_code

    @property
    def sentence(self) -> str:
        """Ready, as far as judged, or not, and why; with what that rests on."""
        return supposing(self._sentence(), [facts.supposed for facts in self.gate.new])

    def _sentence(self) -> str:
        word, bad = WORDS[self.standing], [one.what for one in self.checks if one.state == "bad"]
        if self.standing == "not ready":
            why = [f" ({one.text})" for one in self.checks if one.state == "bad"]
            said = why[0] if len(why) == 1 else ""
            if len(why) > 1 and bad[0] == "sensors":  # what hangs has its name first
                bad = [f"{bad[0]}{why[0]}", *bad[1:]]
            return f"{word}: look at {', '.join(bad or ['the gate'])}{said}."
        if self.standing == "ready":
            return f"{word}: {self.judged} of {self.judged} checks hold."
        left = [one.what for one in self.checks if one.state == "not judged"]
        held = f"{self.judged} of {len(self.checks)} checks"
        held += " hold" if self.standing == "can't tell" else ""
        return f"{word}: {held}; not judged: {', '.join(left) or 'the gate'}."

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
        _sound(logs, judged), _budget(summaries, first, judged), _limits(judged, summaries, first),
        _season(judged, paths, lacks), _names(judged, lacks), _timeouts(summaries),
        sensors(runs, summaries, paths), _version(runs), _battery(runs),
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
    text = f"{100 * share:.3g} % of {read:,} rows set aside"
    if any("dropped" in run.meta for log in logs for run in log.runs):  # others count no losses
        text += f", {dropped:,} lost by the recorder"
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


def _budget(summaries: Sequence[Summary], first: str, judged: GateResult) -> Checked:
    if not summaries:
        return Checked("pace", "bad", "no loop to say anything about", f"looptime columns {first}")
    # a robot that stands idle may loop as slowly as it likes
    at_work = [at for at in summaries if not is_idle(at.phase)] or summaries
    worst = max(at_work, key=lambda at: at.pace.overruns.share or 0.0)
    over, p99 = worst.pace.overruns, worst.pace.period_ms.p99.value
    text = f"{worst.pace.rate_hz.by_time or 0:.3g} loops a second, 1 in 100 over {p99 or 0:.3g} ms"
    text += _which_part(worst, at_work, summaries)
    if over.budget_ms is None:
        todo = "state [loop] budget_ms in looptime.toml, or give --budget-ms"
        return Checked("pace", "not judged", f"{text}; no budget is stated", todo)
    every = sum(at.pace.overruns.count or 0 for at in summaries)
    in_all = f" there, {every:,} in all" if len(summaries) > 1 else ""
    text += f"; {over.count or 0:,} over {over.budget_ms:g} ms{in_all}"
    kept = [at.pace.keeps_budget for at in at_work]
    limited = any(row.check == "limit" and row.statistic == "overruns" for row in judged.rows)
    if False in kept and not limited:
        return Checked(
            "pace", "bad", f"{text}: more than every second loop", f"looptime plan {first}"
        )
    if None in kept and not limited:
        todo = "state a budget that a loop at its usual pace keeps, a tenth above that"
        return Checked("pace", "not judged", f"{text}: the budget is the usual period itself", todo)
    # without a stated limit a rare overrun is told and blocks nothing
    return Checked("pace", "ok", text)


def _which_part(worst: Summary, among: Sequence[Summary], summaries: Sequence[Summary]) -> str:
    """Of which log and phase the figures are, where there are several."""
    if len(summaries) == 1:
        return ""
    logs = {at.run.source for at in summaries}
    log = f" in {PurePath(worst.run.source).name}" if len(logs) > 1 else ""
    phase = f" in phase {worst.phase}" if worst.phase is not None else ""
    return f"{log}{phase}" + (f", the worst of {len(among)} parts" if len(among) > 1 else "")


def _limits(judged: GateResult, summaries: Sequence[Summary], first: str) -> Checked:
    rows = [row for row in judged.rows if row.check == "limit"]
    if not rows:
        todo = "state [limits] in looptime.toml"
        return Checked("limits", "not judged", "none are stated", todo)
    found = _rows("limits", rows, "within all limits")
    absent = list(dict.fromkeys(row.note for row in rows if row.missing))
    if absent and found.state == "ok":
        todo = "name the calls of this log under [limits] in looptime.toml"
        held = any(row.verdict == "pass" for row in rows)
        text = "; ".join([*([found.text] if held else []), *absent[:2]])
        return Checked("limits", "not judged", text, todo)
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
    ruled = {name: r for at in summaries for name, r in at.recurrence.long_turns.items()}
    found, kept, source = [], [], ""
    for name, value_ms, count, at in _constants(summaries):
        rule = ruled.get(name)
        if rule is not None and rule.explains(value_ms):  # what keeps a rule is no fault
            every = rule.every_ms or rule.gap_ms or 0.0
            kept.append(f"{name} takes {value_ms:.3g} ms about every {number(every)} ms")
        else:
            found.append(f"{name} {count} times {value_ms:.3g} ms")
            source = source or at.run.source
    if found:
        return Checked(
            "timeouts", "bad", "; ".join(found[:3]), f"looptime slow {shell_word(source)}"
        )
    if kept:
        return Checked("timeouts", "ok", f"no constant time but by a rule: {'; '.join(kept[:3])}")
    return Checked("timeouts", "ok", "no call runs into a constant time")


def _constants(summaries: Sequence[Summary]) -> Iterator[tuple[str, float, int, Summary]]:
    """Constant times that calls run into, each once over all parts: name, ms, how often, where."""
    signs = [
        (block.name, sign.value_ms or 0.0, sign.count, at)
        for at in summaries for block in at.blocking for sign in block.signs
        if sign.code == "timeout"
    ]  # fmt: skip
    while signs:
        name, value, _, at = signs[0]
        same = [one for one in signs if one[0] == name and abs(one[1] - value) <= _ALIKE * value]
        signs = [one for one in signs if one not in same]
        yield name, value, sum(one[2] for one in same), at


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
