"""Controllers and steered wheels in a few sentences: the answer, and why."""

import math
from collections.abc import Iterator

from looptime.controlling import Controlled, ControlResult
from looptime.controlling.fit import Fit
from looptime.controlling.own_pace import OwnPace
from looptime.controlling.response import Response, Spread
from looptime.controlling.wheels import Steering
from looptime.views.text.needed_rate import MATTERS, supposed_of
from looptime.views.text.swing_words import swing_words
from looptime.views.text.terminal import figure, number

__all__ = ["chief", "control_sentence", "fit_words", "reasons", "state_of", "unit_of"]

#: Factor between the longest and shortest steps, and from an assumed step, that changes gains.
_SHIFTS, _OFF = 1.05, 1.03
#: Share of the output's limit that one step of the sensor moves, worth a word and the answer.
_NOISY, _LOUD = 0.1, 0.25
#: What is said of an error over loops that do not settle, or of a move that does not arrive.
_SO_FAR = {"settles": "", "grows": " while a disturbance grows", "unfinished": " by then"}
#: How many times the stalls make an error that is said to be theirs.
_MUCH = 1.25


def control_sentence(at: ControlResult) -> str:
    """The answer in one sentence.

    Examples
    --------
    >>> control_sentence(ControlResult((), None, 50.0, 10.0, 500))
    'No controller could be looked at.'
    """
    cut = [one for one in at.controllers if one.cut is not None]
    swings = [one for one in at.controllers if one.oscillation is not None]
    said = [_cut_words(cut[0])] if cut else []
    answer = _answer(at)
    if swings and _by_its_loop(swings[0]):  # that is why it is cut
        return " ".join([swing_words(swings[0]), *said, answer])
    if swings and at.controllers[0].only_fitted:
        return " ".join([*said, swing_words(swings[0]), answer])
    return " ".join([*said, answer, *(map(swing_words, swings[:1]))])


def _answer(at: ControlResult) -> str:
    """The answer where no output stands at its limit."""
    lost = [c for c in at.controllers if c.fit and not c.fit.used and not c.only_fitted]
    if lost and not any(one.model.stability for one in at.controllers):
        return f"Can't tell whether {lost[0].stated.name} settles: the fit is not used."
    judged = [one for one in at.controllers if one.model.stability is not None]
    if judged:
        return _judged_sentence(judged)
    alone = [one for one in at.controllers if one.only_fitted and one.fit]
    if alone and alone[0].fit:
        return _fitted_sentence(alone[0].fit)
    good = [one for one in at.controllers if one.effective]
    shifting = [one for one in good if _pace_words(one)]
    if shifting:
        return f"{_pace_words(max(shifting, key=_shift))}."
    if good:
        return _left_alone(good)
    return _wheel_sentence(at.steering) if at.steering else "No controller could be looked at."


def fit_words(at: Fit) -> str:
    """What a fit found, and how well; nothing but why where it can't be told."""
    speed, constant = at.full_speed, at.time_constant_ms
    if speed.value is None:
        return at.text
    shown = figure(constant.value, constant.low, constant.high)
    if not constant.value:
        shown = f"shorter than about {number(constant.high, 2)}, can't tell closer"
    return (
        f"full_speed {figure(speed.value, speed.low, speed.high)}, time_constant_ms {shown}: "
        f"{at.text}"
    )


def _cut_words(one: Controlled) -> str:
    """That an output stands at its limit, what error stays there, and what holds besides."""
    at, fit = one.cut, one.fit
    assert at is not None
    assert fit is not None
    ends = " or ".join(f"{end:.4g}" for end in (at.high, at.low) if end is not None)
    text = (
        f"{fit.output} is saturated: it stands at its limit ({ends}) in {100 * at.share:.0f} % of "
        f"the rows, up to {number(at.longest_ms)} ms on end"
    )
    if at.target is None:
        text += (
            f"; what {fit.measured} is to follow is not known: log it, or name its signal behind "
            f"the others, --fit {fit.output},{fit.measured},TARGET, to see what it stays short of"
        )
    elif at.short is not None and at.short > 0 and not _swings(one):
        text += (
            f", where {fit.measured} stays {number(at.short)} short of {at.target} on average and "
            "no gain mends that"
        )
    if one.model.stability is None:
        return f"{text}."
    return f"{text}. Only off the limit holds:"


def _swings(one: Controlled) -> bool:
    """Whether the loop swings: then an output at its limit is a part of that, and gains mend it."""
    return one.oscillation is not None and one.oscillation.of == "loop"


def _by_its_loop(one: Controlled) -> bool:
    """Whether a swing is surely that of the loop, by its own gains."""
    at = one.oscillation
    return at is not None and at.of == "loop" and bool(at.in_loop)


def _fitted_sentence(at: Fit) -> str:
    names = f"{at.measured} to {at.output}"
    begin = "Can't tell the mechanism from" if at.full_speed.value is None else "Fit of"
    return f"{begin} {names}: {fit_words(at)}."


def _uneven(one: Controlled) -> float:
    """How far the integral's or derivative's action differs between the ends of the steps."""
    gains = one.effective
    if gains is None or not (one.stated.ki or one.stated.kd):
        return 1.0
    return gains.derivative["p99"] / max(gains.derivative["p1"], 1e-12)


def _off(one: Controlled) -> float:
    """How far the typical step is from the one that the code assumes, as a factor above 1."""
    gains = one.effective
    if gains is None or one.stated.form != "fixed step" or one.stated.runs_on == "device":
        return 1.0
    if not (one.stated.ki or one.stated.kd):
        return 1.0
    factor = max(gains.derivative["p50"], 1e-12)
    return max(factor, 1 / factor)


def _shift(one: Controlled) -> float:
    return max(_uneven(one), _off(one))


def _pace_words(one: Controlled) -> str:
    """What the pace makes of a controller's gains; empty where it leaves them alone."""
    gains, name = one.effective, one.stated.name
    if gains is None or _shift(one) <= _OFF:
        return ""
    if _off(one) > _OFF:
        acts = " and ".join(
            f"its {word} acts {number(factors['p50'])} times" for word, factors in _acting(one)
        )
        return (
            f"The code of {name} assumes steps of {number(one.stated.step_ms)} ms where they take "
            f"{number(gains.steps_ms['p50'])} ms: {acts} as strong, loop after loop; measure the "
            "step"
        )
    if _uneven(one) <= _SHIFTS:
        return ""
    acts = ", ".join(
        f"its {word} acts {number(factors['p1'], 2)} times in the shortest steps (p1) and "
        f"{number(factors['p99'], 2)} times in the longest (p99)"
        for word, factors in _acting(one)
    )
    code = "ignores" if one.stated.form == "per loop" else "does not measure"
    return (
        f"The pace changes the gains of {name} from loop to loop, since its code {code} the step: "
        f"{acts}"
    )


def _acting(one: Controlled) -> Iterator[tuple[str, dict[str, float]]]:
    """The gains that meet time, with how strongly they act."""
    assert one.effective is not None
    if one.stated.ki:
        yield "integral", one.effective.integral
    if one.stated.kd:
        yield "derivative", one.effective.derivative


def _jump(one: Controlled) -> float:
    """Share of the output's limit by which one step of the sensor moves the derivative."""
    return 0.0 if one.noise is None else one.noise.step / one.stated.limit


def _jump_words(one: Controlled) -> str:
    assert one.noise is not None
    coarse = f"{number(one.stated.resolution)}{unit_of(one)}"
    return (
        f"each {coarse} step of the sensor moves the output of {one.stated.name} by "
        f"{number(one.noise.step)} of at most {one.stated.limit:g} ({number(one.noise.rms)} "
        "rms): filter the derivative, or take it over more loops"
    )


def _left_alone(good: list[Controlled]) -> str:
    loud = max(good, key=_jump)
    if _jump(loud) >= _LOUD:
        return f"The pace leaves the gains alone, but {_jump_words(loud)}."
    worst = max(good, key=lambda one: one.age_ms.value or 0.0)
    age = f"{number(worst.age_ms.value)} ms"
    if len(good) == 1:
        if worst.stated.runs_on == "device":
            return (
                f"The pace leaves the gains of {worst.stated.name} alone, which runs on the "
                f"motor's own controller; its set-point is {age} old on average over time."
            )
        return (
            f"The pace leaves the gains of {worst.stated.name} alone; its measurement is {age} old "
            "on average over time."
        )
    oldest = "set-point" if worst.stated.runs_on == "device" else "measurement"
    return (
        f"The pace leaves the gains alone; the oldest {oldest} is that of {worst.stated.name}, "
        f"{age} on average over time."
    )


def state_of(one: Controlled) -> str:
    """``grows``, ``rings`` or ``settles``; empty without a model."""
    return one.model.stability.state if one.model.stability else ""


def _judged_sentence(judged: list[Controlled]) -> str:
    bad = [one for one in judged if state_of(one) == "grows"]
    if bad:
        names = ", ".join(one.stated.name for one in bad)
        text = f"At this pace {names} would not settle: a disturbance grows instead of dying out"
        if all(_by_unevenness(one) for one in bad):
            text += "; the uneven loops do it, even ones of the same mean would settle"
        found = bad[0].model.stability
        high = None if found is None else found.settles_to_factor
        if found is None or high is None or len(bad) > 1:
            return f"{text}."
        gains = f"below {number(high, 2)} times what they are"
        if (low := found.settles_from_factor) is not None:
            gains = (
                f"between {number(low, 2)} and {number(high, 2)} times what they are, not with "
                "all lower ones"
            )
        return f"{text}; it settles with gains {gains}."
    near = min(judged, key=_room)
    ringing = [one.stated.name for one in judged if state_of(one) == "rings"]
    what = (
        f"{', '.join(ringing)} would ring at this pace" if ringing else
        f"{near.stated.name} settles at this pace" if len(judged) == 1 else
        f"{len(judged)} controllers with a model settle at this pace"
    )  # fmt: skip
    low = near.model.stability.settles_from_factor if near.model.stability else None
    if not math.isfinite(_room(near)):
        below = (
            ""
            if low is None
            else f"; with gains of just below {number(low, 2)} times it would grow"
        )
        return f"{what}{below}."
    which = "it" if len(judged) == 1 else f"{near.stated.name}, the nearest to the edge,"
    slowest = near.model.stability.slowest_stable_ms if near.model.stability else None
    edge = "" if low is None else f", of just below {number(low, 2)} times"
    edge += "" if slowest is None else f", or with even loops of {number(slowest)} ms"
    return (
        f"{what}; {which} would grow with gains of {number(_room(near), 2)} times what they are"
        f"{edge}."
    )


def _by_unevenness(one: Controlled) -> bool:
    """Whether even loops of the same mean period and latency settle."""
    found = one.model.stability
    return found is not None and found.spectral_radius < 1


def _room(one: Controlled) -> float:
    """Factor of the gains at which it would grow, over even loops or over these."""
    found, margin = one.model.stability, one.model.margins
    assert found is not None
    assert margin is not None
    there = [f for f in (margin.gain_margin, found.mean_square_factor) if f is not None]
    return min(there, default=math.inf)


def _wheel_sentence(at: Steering) -> str:
    spread = at.read_spread_ms
    if spread is None:
        return "The wheels' angles are not timed one by one."
    if not spread.value:
        return "The wheels' angles are read at one moment."
    text = f"The wheels' angles are read {number(spread.value)} ms apart"
    if at.inconsistency_deg is None:
        return f"{text}."
    return (
        f"{text}: while they turn at {number(at.rate_deg_s)} deg/s they do not fit together by "
        f"{number(at.inconsistency_deg.value, 2)} deg."
    )


def reasons(at: ControlResult) -> Iterator[str]:
    """Why, and what to do next."""
    modelled = any(c.model.stability for c in at.controllers)
    for one in sorted(at.controllers, key=lambda c: -_shift(c))[:1]:
        if modelled and (words := _pace_words(one)):
            yield f"{words[0].lower()}{words[1:]}" + ("" if _off(one) > _OFF else
                                                     "; measure the step")  # fmt: skip
    for one in sorted(at.controllers, key=_stalled)[-1:]:
        if _stalled(one):
            yield _stall_words(one)
    for one in at.controllers:
        if one.own_pace is not None and one.fit is not None:
            yield _turn_words(one.fit.output, one.own_pace)
    missed = [c for c in at.controllers if c.model.required and c.model.required.missed_by]
    for one in missed[:1]:
        yield _missed_words(one)
    moved = [c for c in at.controllers if c.model.recorded is not None]
    if not missed and len(moved) == 1:
        yield _move_words(moved[0])
    for one in sorted(at.controllers, key=_jump)[-1:]:
        if _jump(one) >= (_NOISY if modelled else _LOUD) and modelled:
            yield _jump_words(one)
    if at.steering is not None and at.controllers:
        yield _wheel_sentence(at.steering)
    if any(c.error for c in at.controllers):
        lost = [c for c in at.controllers if c.error]
        yield f"not looked at: {lost[0].error}" + (f"; {len(lost) - 1} more" if lost[1:] else "")
    if any(c.only_fitted and c.fit and c.fit.used for c in at.controllers):
        yield "give the gains (--kp, --ki, --kd and --form) to see stability and responses"
    if any(c.effective and not c.stated.has_model and c.stated.runs_on == "robot" and not c.fit
           for c in at.controllers):  # fmt: skip
        yield "state plant and full_speed, or give --fit, to see stability and responses"


def _turn_words(output: str, at: OwnPace) -> str:
    which = {2: "2nd", 3: "3rd"}.get(at.every, f"{at.every}th")
    return (
        f"{output} changes in every {which} row alone: its controller runs {number(at.hz)} times a "
        f"second in a loop of {number(at.loop_hz)}; its figures are those of its own turns"
    )


def _stalled(one: Controlled) -> float:
    """By how much one stall exceeds what is allowed, where a move without it does not."""
    stall, limit = one.model.stall, one.stated.tolerance
    if stall is None or limit is None:
        return 0.0
    with_, without = (chief(side).worst or 0.0 for side in (stall.worst, stall.without))
    return with_ / limit if with_ > limit >= without else 0.0


def _stall_words(one: Controlled) -> str:
    stall = one.model.stall
    assert stall is not None
    with_, without = chief(stall.worst), chief(stall.without)
    what = "overshoot" if with_ is stall.worst.overshoot else "greatest error"
    return (
        f"one hold of {number(stall.hold_ms)} ms at the worst moment makes the {what} of "
        f"{one.stated.name} {number(with_.worst)}{unit_of(one)} instead of "
        f"{number(without.worst)}; allowed are {number(one.stated.tolerance)}"
    )


def _move_words(one: Controlled) -> str:
    """How the move goes over these loops and over even ones, and the slowest rate that does."""
    model, unit = one.model, unit_of(one)
    assert model.recorded is not None
    assert model.even is not None
    assert one.stated.target is not None
    both = [chief(side) for side in (model.recorded, model.even)]
    what = "overshoot" if both[0] is model.recorded.overshoot else "greatest error"
    text = (
        f"{one.stated.target.text}: {what} {number(both[0].p95)}{unit} (p95), with even loops "
        f"{number(both[1].p95)}"
    )
    settles = model.recorded.settle_ms.p95
    if settles is None and what == "overshoot":
        text += "; it does not come to rest within the tolerance"
    if settles is not None:
        text += f"; settled after {number(settles)} ms (p95)"
    need = model.required
    if need is None:
        return text
    allowed = f"the {need.limit:g}{unit} allowed"
    if need.log_shape_hz is not None:
        return f"{text}; {allowed} need {number(need.log_shape_hz)} loops a second: {need.why}"
    return f"{text}; {allowed}{' are' if need.kept_hz else ':'} {need.why}"


def _missed_words(one: Controlled) -> str:
    """Which tolerance is missed, by how much with the stalls and without, and what keeps it."""
    need, model = one.model.required, one.model
    assert need is not None
    assert model.recorded is not None
    assert model.even is not None
    now, even = (getattr(side, need.figure).p95 for side in (model.recorded, model.even))
    what = "overshoot" if need.figure == "overshoot" else "greatest error"
    verb = "does not come to rest within" if need.recorded_state == "unfinished" else "misses"
    text = f"{one.stated.name} {verb} its tolerance of {need.limit:g}{unit_of(one)}: " + (
        f"{what} (p95) {number(now)}{_SO_FAR[need.recorded_state]}, with even loops "
        f"{number(even)}{_SO_FAR[need.even_state]}"
    )
    stalls = now is not None and even is not None and now > _MUCH * even
    if need.log_shape_hz is not None:
        cause = "the stalls" if need.missed_by == "stalls" else "the mean rate"
        cause = "the mean rate and the stalls" if stalls and cause == "the mean rate" else cause
        return (
            f"{text}, because of {cause}: {number(need.log_shape_hz)} loops a second keep it"
            f"{_supposed(one)}"
        )
    if stalls and need.kept_hz is None and need.even_hz is None:
        return (
            f"{text}: much of it is the stalls', but no rate keeps it without them either: change "
            "the gains or the target, too"
        )
    return f"{text}; {'it is ' if need.kept_hz else ''}{need.why}"


def _supposed(one: Controlled) -> str:
    """What a needed rate rests on, where the reading is old by the time that it is used."""
    latency, age = one.latency_ms.value, one.age_ms.value
    return supposed_of(one.model.work, bool(latency and age and latency > MATTERS * age))


def unit_of(one: Controlled) -> str:
    """The measured value's unit behind a blank; empty where none is stated."""
    return f" {one.stated.unit}" if one.stated.unit else ""


def chief(at: Response) -> Spread:
    """Greatest error where the target moves, overshoot where it jumps."""
    return at.following_max if at.following_max.mean is not None else at.overshoot
