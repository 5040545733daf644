"""Findings about what costs time in every loop."""

from looptime.analysers.alike import grouped, in_short
from looptime.analysers.beat_wait import makes_up_for
from looptime.analysers.blocking import BLOCKING_KINDS, Blocking, Sign
from looptime.analysers.buses import BatchGroup
from looptime.analysers.call_costs import CallCost
from looptime.analysers.summary import Summary
from looptime.call_words import of_device, says_wait
from looptime.findings.about import (
    DRAFT,
    TIMING_GUIDE,
    command,
    ease,
    evidence,
    judged_mean_ms,
    loop_ms,
    ms,
    n_calls,
    percent,
    period_ms,
    stall_worth,
    swallowed,
    three,
    whole_word,
)
from looptime.findings.contention_rules import BLOCKING_SHARE, contention_findings
from looptime.findings.finding import MAY_BE_MEANT, Finding
from looptime.words import named

__all__ = ["cost_findings"]

#: Share of a dear call in the loop; and the least one where it is so much of all timed calls.
_DEAR_SHARE, _DEAR_BESIDE_REST = 0.5, 0.3
#: What half of a loop in one call is worth beside a call that is known to block.
_DEAR_WORTH = 0.7
#: Patterns of names by which reads are told; more have one name of what they belong to.
_FEW_LIKE = 2
_UNCOVERED_SHARE = 0.3
#: The least share of a call that may be the wait that paces the loop.
_FILLS = 0.2
#: Share of the loop from which on a call is told of which nothing but its name says that it blocks.
#: It is told all the same where it is so many times as long as any other.
_GUESSED_SHARE, _BY_FAR = 0.3, 1.4
#: Writes of one loop that are told together: at least so many, and so much of the loop.
_MANY_WRITES, _WRITES_SHARE = 1.9, 0.3
_SIGN_CODES = {
    "timeout": "timeout",
    "adapter tick": "adapter_tick",
    "device wait": "device_wait",
}


def cost_findings(at: Summary) -> list[Finding]:
    """Blocking calls, signs of waiting, batches, buses, and what no call covers."""
    filled = _fills_up(at)
    made = [f for f in _signs(at) if f.code != "adapter_tick" or f.evidence.calls[0] != filled]
    made += _repeated(at) + contention_findings(at)
    named = {call for f in made if f.severity != "note" for call in f.evidence.calls}
    named |= {r.call for r in at.recurrence.found if r.call}
    made += _batches(at) + _writes(at)
    if filled is not None and filled not in named:
        named.add(filled)
        made.append(_may_pace(at, filled))
    made += [f for f in _blocking_calls(at) if f.evidence.calls[0] not in named]
    made += [f for f in _dear(at) + _dear_together(at) if named.isdisjoint(f.evidence.calls)]
    return made + _uncovered(at)


def _fills_up(at: Summary) -> str | None:
    """A call that takes the less the more the others take, as the wait that paces a loop does."""
    if at.basis.judged == "work":
        return None
    rows = [c for c in at.costs.calls if c.on_loop_thread and (c.share or 0.0) >= _FILLS
            and c.kind in ("other", "wait") and not of_device(c.name)]  # fmt: skip
    covered = at.basis.table.by_loop() / 1e6
    code = {name.name: k for k, name in enumerate(at.run.names)}
    for call in rows:
        own = at.basis.table.series(code[call.name]) / 1e6
        if makes_up_for(own, covered - own, 0.0):
            return call.name
    return None


def _may_pace(at: Summary, name: str) -> Finding:
    call = next(c for c in at.costs.rows if c.name == name)
    text = (
        f"{name} takes {ms(call.self_ms_per_loop)} in each pass, and less of it where the other "
        "calls take more: it may be the wait that paces the loop. If it is, label it pacing in "
        "looptime.toml, and the work is known."
    )
    return Finding(
        "likely_wait", "note", text, call.self_ms_per_loop, "ms/loop",
        evidence=evidence(at, calls=[name]), command="", worth=0.015,
        rests_on={"part_ms": call.self_ms_per_loop, "whole_ms": judged_mean_ms(at)},
    )  # fmt: skip


def _blocking_calls(at: Summary) -> list[Finding]:
    blocks = {b.name: b for b in at.blocking if b.on_loop_thread}
    made = []
    for call in at.costs.rows:
        block = blocks.get(call.name)
        if call.share is None or call.share < BLOCKING_SHARE or block is None:
            continue
        if call.kind not in BLOCKING_KINDS and not block.inferred:
            continue
        guessed = {s.code for s in block.signs} == {"name"}
        if guessed and call.share < _GUESSED_SHARE and not _leads(at, call.share):
            continue  # the same call under another name is not told either
        if swallowed(at, call.self_ms_per_loop):
            continue
        if call.name == at.pacing.beat_call and says_wait(call.name):
            continue  # the loop means to wait there, and what is left of its time is no cost
        made.append(_blocking_call(at, call, block))
    return made[:3]


def _leads(at: Summary, share: float) -> bool:
    """Whether a share is that of the longest call by far."""
    return all(c.share is None or share >= _BY_FAR * c.share for c in at.costs.calls
               if c.share != share)  # fmt: skip


def _blocking_call(at: Summary, call: CallCost, block: Blocking) -> Finding:
    why = "; ".join(s.text for s in block.signs)
    share = call.share or 0.0
    text = (
        f"{call.name} blocks the loop for {ms(call.self_ms_per_loop)} in each pass, "
        f"{percent(share)} of the {whole_word(at)} ({why})."
    )
    worth = share * ease(at)
    if call.name == at.pacing.beat_call and at.pacing.nominal_ms is not None:
        worth = min(worth, MAY_BE_MEANT)
        text += (
            f" It ends {ms(at.pacing.nominal_ms)} after it last did whatever all else takes, as a "
            "call does that waits for its own device: it sets the pace, and only what is done "
            "about it makes the loop faster."
        )
    return Finding(
        "blocking_call", "look", text,
        call.self_ms_per_loop, "ms/loop",
        evidence=evidence(at, calls=[call.name]), command=command(at, "plan"),
        worth=worth, moves=True,
        rests_on={"share": share, "part_ms": call.self_ms_per_loop, "whole_ms": judged_mean_ms(at)},
    )  # fmt: skip


def _dear(at: Summary) -> list[Finding]:
    made = []
    for call in at.costs.rows:
        if call is at.costs.unattributed or call.share is None or not _is_dear(at, call):
            continue
        if call.kind in BLOCKING_KINDS or call.kind == "pacing" or len(at.costs.rows) < 3:
            continue
        if swallowed(at, call.self_ms_per_loop):
            continue
        then = "time the calls inside it to see what costs so much"
        if call.kind == "other":
            then = (
                "no name says what is done there: say its kind in looptime.toml, and plan tells "
                f"what would help; or {then}"
            )
        text = (
            f"{call.name} takes {ms(call.self_ms_per_loop)} in each pass, {percent(call.share)} of "
            f"the {whole_word(at)}: {then}."
        )
        rests = (call.self_ms_per_loop, call.share, call.kind)
        made.append(_dear_call(at, text, *rests, [call.name]))
    return made


def _is_dear(at: Summary, call: CallCost) -> bool:
    """Whether a call takes half of the loop, or of all that calls take: the rest may be a sleep."""
    share = call.share or 0.0
    if not _DEAR_BESIDE_REST <= share < _DEAR_SHARE:  # as of most: there may be thousands
        return share >= _DEAR_SHARE
    timed = sum(c.self_ms_per_loop for c in at.costs.calls if c.on_loop_thread)
    return call.self_ms_per_loop >= _DEAR_SHARE * timed


def _dear_together(at: Summary) -> list[Finding]:
    """Like calls of which none is dear by itself, of a loop that follows what they take."""
    rows = {c.name: c for c in at.costs.calls if c.on_loop_thread and c.share is not None
            and c.kind not in BLOCKING_KINDS and c.kind != "pacing"}  # fmt: skip
    made = []
    for pattern, names in grouped((c.name, (c.kind, c.bus)) for c in rows.values()):
        share = sum(rows[name].share or 0.0 for name in names)
        took = sum(rows[name].self_ms_per_loop for name in names)
        if len(names) < 2 or share < _DEAR_SHARE or len(at.costs.rows) < 3 or ease(at) < 1:
            continue
        if any(_is_dear(at, rows[name]) for name in names):
            continue
        if rows[names[0]].kind == "compute":
            then = "time the calls inside them to see what costs so much"
        else:
            then = (
                "if each reads or writes a device of one bus, one transaction for all may take far "
                "less; say in looptime.toml what they are (kind, bus), and plan tells how much"
            )
        text = (
            f"{len(names)} calls alike ({pattern}) take {ms(took)} in each pass, {percent(share)} "
            f"of the {whole_word(at)}: {then}."
        )
        made.append(_dear_call(at, text, took, share, rows[names[0]].kind, names[:10]))
    return made


def _dear_call(
    at: Summary, text: str, took_ms: float, share: float, kind: str, calls: list[str]
) -> Finding:
    """With the command that helps: no plan is made for calls of which nobody knows what they do."""
    closer = command(at, "plan")
    if kind == "other":
        closer = command(at, "summary", DRAFT)
    elif kind == "compute":
        closer = TIMING_GUIDE
    return Finding(
        "dear_call", "look", text, took_ms, "ms/loop",
        evidence=evidence(at, calls=calls), command=closer,
        worth=_DEAR_WORTH * share * ease(at), moves=True,
        rests_on={"share": share, "part_ms": took_ms, "whole_ms": judged_mean_ms(at)},
    )  # fmt: skip


def _signs(at: Summary) -> list[Finding]:
    made = []
    total = loop_ms(at)
    by_rule = at.recurrence.long_turns  # what keeps a rule is no fault
    for block in at.blocking:
        for sign in block.signs:
            rule = by_rule.get(block.name) if sign.code == "timeout" else None
            ruled = rule is not None and rule.explains(sign.value_ms or 0.0)
            if sign.code in _SIGN_CODES and not ruled:
                made.append(_sign(at, block, sign, total))
    return made


def _sign(at: Summary, block: Blocking, sign: Sign, total_ms: float) -> Finding:
    share = min(sign.ms_per_loop / total_ms, 1.0)
    worth = share
    if sign.code == "timeout":
        took = sign.value_ms or 0.0
        worth = stall_worth(share, took / total_ms, took / period_ms(at))
    if not block.on_loop_thread:
        worth *= 0.3
    where = "" if block.on_loop_thread else f" (on thread {block.thread})"
    return Finding(
        _SIGN_CODES[sign.code], "look",
        f"{block.name}{where}: {sign.text}.", sign.value_ms, "ms",
        evidence=evidence(at, calls=[block.name], n_loops=sign.count),
        command=command(at, "slow", "--top 20"), worth=worth, moves=True,
        rests_on={"count": sign.count, "of": _times_made(at, block)},
    )  # fmt: skip


def _times_made(at: Summary, block: Blocking) -> float:
    return float(sum(c.count for c in at.costs.calls
                     if (c.name, c.thread) == (block.name, block.thread)))  # fmt: skip


def _repeated(at: Summary) -> list[Finding]:
    total = loop_ms(at)
    made = []
    for read in at.buses.repeated:
        share = read.spare_ms_per_loop / total
        if share < 0.02:
            continue
        text = (
            f"{read.name} fetches everything at once but is called "
            f"{three(read.calls_per_loop)} times a loop: "
            f"one call would do and save up to {ms(read.spare_ms_per_loop)}."
        )
        made.append(
            Finding(
                "repeated_batch", "look", text,
                read.spare_ms_per_loop, "ms/loop",
                evidence=evidence(at, calls=[read.name]), command=command(at, "plan"),
                worth=share * ease(at) + 0.01, moves=True,
                rests_on={"saving_ms": read.spare_ms_per_loop, "whole_ms": judged_mean_ms(at)},
            )
        )  # fmt: skip
    return made


def _batches(at: Summary) -> list[Finding]:
    total = loop_ms(at)
    made = []
    for group in at.buses.batches:
        share = group.at_most_ms / total
        if (
            share < 0.08
            or swallowed(at, group.ms_per_loop)
            or (group.bus is None and len(group.names) < 2)
        ):
            continue
        alike = grouped((name, None) for name in group.names)
        of_what = named([name for name, _ in alike]) if len(alike) <= _FEW_LIKE else group.place
        known = f"on bus {group.bus}" if group.bus else f"of {of_what}"
        doubt = "" if group.bus else ", if they sit on one bus and the driver can batch them"
        text = (
            f"{three(group.reads_per_loop)} single reads a loop {known} take "
            f"{ms(group.ms_per_loop)}: one batched read {_one_read(group)}{doubt}."
        )
        made.append(
            Finding(
                "batch_reads", "look", text,
                group.at_most_ms, "ms/loop", low=0.0, high=group.at_most_ms,
                evidence=evidence(at, calls=group.names[:10]), command=command(at, "plan"),
                worth=(0.8 if group.bus else 0.6) * share * ease(at), moves=True,
                rests_on={"saving_ms": group.at_most_ms, "part_ms": group.ms_per_loop,
                          "whole_ms": judged_mean_ms(at)},
            )
        )  # fmt: skip
    return made


def _one_read(group: BatchGroup) -> str:
    """How long one batched read takes, which no plan undercuts whatever else it saves."""
    least = ms(group.ms_per_loop - group.at_most_ms)
    if group.by_bus:
        return f"would take about {least}"
    return f"takes as long as the dearest, {least}, or longer"


def _writes(at: Summary) -> list[Finding]:
    """Many writes that together take much of the loop, of which none is dear by itself."""
    writes = [c for c in at.costs.rows if c.kind == "actuator write" and c.share is not None]
    count = sum(c.calls_per_loop for c in writes)
    took = sum(c.self_ms_per_loop for c in writes)
    share = took / loop_ms(at)
    if len(writes) < 2 or count < _MANY_WRITES or share < _WRITES_SHARE or swallowed(at, took):
        return []
    text = (
        f"{three(count)} writes a loop take {ms(took)}, {percent(share)} of the {whole_word(at)} "
        f"({in_short(c.name for c in writes)}): leave out those that repeat the last value"
        f"{_repeated_values(at, writes)}, or send them at once where the driver can."
    )
    return [
        Finding(
            "many_writes", "look", text, took, "ms/loop",
            evidence=evidence(at, calls=[c.name for c in writes[:10]]),
            command=command(at, "plan"), worth=_DEAR_WORTH * share * ease(at), moves=True,
            rests_on={"part_ms": took, "whole_ms": judged_mean_ms(at), "share": share},
        )
    ]  # fmt: skip


def _repeated_values(at: Summary, writes: list[CallCost]) -> str:
    """How many writes repeat the last value, where signals of the log tell; else empty."""
    if at.run.signals is None:  # few logs have any
        return ""
    from looptime.analysers.same_writes import repeats

    told = repeats(at.run, [c.name for c in writes])
    if told is None:
        return ""
    return (
        f" ({named(told.signals)}, as logged, {'stays' if len(told.signals) == 1 else 'stay'} the "
        f"same in {percent(told.share)} of them) where no controller stops without fresh writes"
    )


def _uncovered(at: Summary) -> list[Finding]:
    rest = at.costs.unattributed
    if not at.costs.calls or rest.share is None or rest.share < _UNCOVERED_SHARE:
        return []
    text = (
        f"{percent(rest.share)} of the {whole_word(at)}, {ms(rest.self_ms_per_loop)}, is covered "
        "by no call: time more of it, or label the pacing wait."
    )
    # no listing of what was timed can show what was not
    if at.pacing.fixed_rate and not at.pacing.wait_known:
        return []  # it is the wait, and said so elsewhere
    return [
        Finding(
            "unattributed", "look", text, rest.self_ms_per_loop, "ms/loop",
            evidence=evidence(at), command=TIMING_GUIDE,
            worth=0.3 * rest.share,
            rests_on={"share": rest.share, "part_ms": rest.self_ms_per_loop,
                      "whole_ms": judged_mean_ms(at), "calls_logged": n_calls(at)},
        )
    ]  # fmt: skip
