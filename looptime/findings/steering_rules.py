"""What the one-after-another of angle readings means for steered wheels that are stated."""

from looptime.analysers.summary import Summary
from looptime.errors import LooptimeError
from looptime.findings.about import command, evidence, longest_ms, ms, three
from looptime.findings.finding import Finding
from looptime.project import Project

__all__ = ["steering_findings"]

#: Inconsistency from which on it is worth a look [deg].
_LOOK_DEG = 1.0
#: Spread below which nothing is said [ms].
_LEAST_MS = 0.2


def steering_findings(at: Summary, project: Project | None) -> list[Finding]:
    """The angles in use together were read so far apart, and do not fit together by so much.

    Needs ``[[wheel]]`` with calls that the log has; degrees need ``[steering] max_rate_deg_s``.
    """
    if project is None or len(project.wheels) < 2 or not at.pace.loops:
        return []
    if not all(wheel.read_call for wheel in project.wheels):
        return []
    # loaded only where wheels are stated: most summaries must not wait for it
    from looptime.controlling.wheels import steering

    try:
        spread = steering(at.run, project.wheels).read_spread_ms
    except LooptimeError:
        return []
    if spread is None or spread.value is None or spread.value < _LEAST_MS:
        return []
    text = f"The wheels' angles are read {ms(spread.value)} apart and used as if taken at once"
    rate, figure, unit, severity, worth = project.max_steering_deg_s, spread, "ms", "note", 0.01
    if rate:
        figure, unit = spread.scaled(rate / 1e3), "deg"
        off = figure.value or 0.0
        text += f": while they turn at {three(rate)} deg/s they do not fit together by "
        text += f"{three(off)} deg"
        severity, worth = ("look" if off >= _LOOK_DEG else "note"), min(0.006 * off, 0.05)
    calls = [name for wheel in project.wheels for name in (wheel.read_call or "").split(" | ")[:1]]
    return [
        Finding(
            "wheel_spread", severity, f"{text}. One batched read takes all of them at one moment.",
            figure.value, unit, figure.low, figure.high, evidence(at, calls=calls),
            command(at, "control"), worth,
            rests_on={"usual_ms": spread.value, "largest_ms": longest_ms(at)},
        )
    ]  # fmt: skip
