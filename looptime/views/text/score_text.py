"""How a plan came true, as text: held against a recording of the changed code."""

from rich.console import RenderableType
from rich.text import Text

from looptime.analysers.estimate import Figure
from looptime.planner.answer.score import Score, Scored
from looptime.views.text.terminal import figure, heading_line, in_full, number, safe, table
from looptime.words import listed

__all__ = ["render_score", "score_sentence"]

#: Share of what the mean is off by from which on a call is named for it.
_WORTH = 0.15


def score_sentence(at: Score) -> str:
    """Whether what came lies in the predicted ranges, the mean first."""
    said = _came_true(at) if not at.open_question else _went_like(at)
    if at.tick_ms is None:
        return said
    period = next(s for s in at.period_ms if s.what == "mean")
    work = next(s for s in at.work_ms if s.what == "mean")
    waits = (period.actual or 0.0) - (work.actual or 0.0)
    return (
        f"{said} The loop now waits {number(waits)} ms for its tick of {number(at.tick_ms)} ms, "
        f"which it was too slow for before: so its period came to {number(period.actual)} ms, and "
        "what the change is about is the work."
    )


def _came(at: Score, mean: Scored) -> str:
    what = "the mean" if at.judged == "period" else "the work mean"
    return f"{what} came to {number(mean.actual)} ms, predicted {_cell(mean.predicted)}"


def _came_true(at: Score) -> str:
    mean = next(s for s in at.judged_ms if s.what == "mean")
    outside = [s.what for s in at.judged_ms if s.inside is False]
    came = _came(at, mean)
    if "mean" in outside:
        return f"The plan did not come true: {came}{_most_off(at, mean)}."
    but = f" but for {listed(outside, 3)}" if outside else ""
    if at.promised == "can't tell":
        return (
            "The plan had left open whether the loop gets faster; what came lies in its ranges"
            f"{but}: {came}."
        )
    if outside:
        return f"The plan came true{but}, out of their ranges: {came}."
    return f"The plan came true: {came}."


def _most_off(at: Score, mean: Scored) -> str:
    """The calls outside their ranges that make what came differ, the dearest first."""
    whole = (mean.actual or 0.0) - (mean.predicted.value or 0.0)
    off = [(s, (s.actual or 0.0) - (s.predicted.value or 0.0))
           for s in at.calls if s.inside is False]  # fmt: skip
    off = [(s, ms) for s, ms in off if ms * whole > 0 and abs(ms) >= _WORTH * abs(whole)]
    off.sort(key=lambda one: -abs(one[1]))
    calls = [f"{safe(s.what, 44)} ({number(s.actual)} instead of {number(s.predicted.value)})"
             for s, _ in off]  # fmt: skip
    return f"; calls that came otherwise: {listed(calls, 3)}" if calls else ""


def _went_like(at: Score) -> str:
    """Which of the cases that a plan had left open it went like."""
    left = f"The plan had left open {in_full(at.open_question)}"
    like, other = at.went_like, at.not_like
    if like is None or other is None:
        mean = next(s for s in at.judged_ms if s.what == "mean")
        return f"{left}, so it could not come true or fail: {_came(at, mean)}."
    came = _came(at, like.mean)
    if like.mean.inside and not other.mean.inside:
        return (
            f"{left}. It went as with {like.what}: {came}; with {other.what} it would have been "
            f"{_cell(other.mean.predicted)}."
        )
    said = "Both fit what came" if like.mean.inside else "It went like neither"
    return (
        f"{left}. {said}: {came} with {like.what}, {_cell(other.mean.predicted)} with {other.what}."
    )


def render_score(at: Score) -> list[RenderableType]:
    """How well a plan came true."""
    what = "loop" if at.judged == "period" else "loop's work"
    said = {
        True: f"The {what} changed in the direction that was promised.",
        False: f"The {what} changed the other way than was promised.",
        None: "No direction was promised.",
    }[at.sign_right]
    if at.open_question and at.went_like is not None:
        said = f"Held against what was predicted with {at.went_like.what}, which came nearest."
    tables = [("work", at.work_ms)] if at.work_ms else []
    if at.tick_ms is None:  # else it waits for its tick, and no plan was about that
        tables.append(("period", at.period_ms))
    parts: list[RenderableType] = [
        heading_line(f"How the plan came true: {safe(at.source)}"),
        Text(said),
        *(table([f"{name}, ms", "before", "predicted", "actual", "off by", "inside"],
                [_scored(s) for s in scored]) for name, scored in tables),
        Text("off by: the prediction above (+) or below (-) what came, of what came; "
             "inside: what came lies in the predicted range"),
        heading_line("Calls, ms a loop"),
        table(["call", "predicted", "actual", "off by", "inside"],
              [_scored_call(s) for s in at.calls[:20]]),
    ]  # fmt: skip
    if at.only_predicted:
        parts.append(Text(f"Only predicted: {in_full(', '.join(at.only_predicted))}"))
    if at.only_actual:
        parts.append(Text(f"Only recorded: {in_full(', '.join(at.only_actual))}"))
    return parts


def _scored_call(at: Scored) -> list[str]:
    row = _scored(at)
    return [row[0], number(at.predicted.value), *row[3:]]


def _scored(at: Scored) -> list[str]:
    error = "-" if at.error_percent is None else f"{at.error_percent:+.1f} %"
    inside = {True: "yes", False: "no", None: "-"}[at.inside]
    return [safe(at.what, 44), number(at.before), _cell(at.predicted), number(at.actual), error,
            inside]  # fmt: skip


def _cell(at: Figure) -> str:
    return figure(at.value, at.low, at.high)
