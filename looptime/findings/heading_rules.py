"""What the loop's pace means for the heading, where the log has what it needs to say so."""

import math

import numpy as np

from looptime.analysers.summary import Summary
from looptime.array_types import Float
from looptime.errors import LooptimeError
from looptime.findings.about import command, evidence, ms, three
from looptime.findings.finding import Finding
from looptime.project import Heading
from looptime.run import Run, Signals
from looptime.stats.quantiles import percentiles

__all__ = ["heading_findings"]

#: Heading error from which on it is worth a look [deg].
_LOOK_DEG = 2.0
#: Share of the fastest turning at which the error is stated.
_PERCENT = 95


def heading_findings(at: Summary, stated: Heading | None = None) -> list[Finding]:
    """The heading in use is so old that in a turn it is off by so much.

    Needs a call that reads the heading and a logged heading or turn rate. For a steady turn the
    mean error is turn rate times mean age; the turn rate is the one that was exceeded in a
    twentieth of the time.

    Parameters
    ----------
    at : Summary
        Of the loops to look at.
    stated : Heading, optional
        Where the heading is read and used; else that is guessed from the calls.
    """
    name, rate = (None, None) if at.run.signals is None else _turn_rate(at.run.signals)
    if name is None or rate is None or not at.pace.loops:
        return []
    # loaded only where a log has what it needs: most summaries must not wait for it
    from looptime.heading.age_distribution import age_parts
    from looptime.heading.instants import Labels, sampling_from_run
    from looptime.heading.sensor import Sensor

    stated = stated or Heading()
    labels = Labels(
        stated.read_call, stated.pickup_call, stated.use_call, stated.read_instant or "start"
    )
    try:
        sampling = Sensor(delay_ms=stated.sensor_delay_ms).apply(sampling_from_run(at.run, labels))
    except LooptimeError:
        return []
    if any("unknown" in note for note in sampling.notes):
        return []
    age = age_parts(sampling).mean_ms
    if age.value is None:
        return []
    error = [None if v is None else rate * v / 1e3 for v in (age.value, age.low, age.high)]
    assert error[0] is not None
    text = (
        f"The heading in use is {ms(age.value)} old on average over time: while turning at "
        f"{three(rate)} deg/s, as in the fastest twentieth of this log{_if(at.run, name)}, it is "
        f"{three(error[0])} deg behind."
    )
    return [
        Finding(
            "heading_age", "look" if error[0] >= _LOOK_DEG else "note", text,
            error[0], "deg", error[1], error[2], evidence=evidence(at),
            command=command(at, "heading", "--motion recorded"),
            worth=min(0.02 * error[0], 0.15),
            rests_on={"seconds": age.value / 1e3, "duration_s": at.pace.duration_s,
                      "low": age.low, "high": age.high},
        )
    ]  # fmt: skip


def _if(run: Run, name: str) -> str:
    """What a figure from a signal rests on, where nothing tells its unit."""
    unit = run.clock.angles.get(name)
    if unit is None:
        return ""
    from looptime.heading.logged_turning import QUANTITIES  # as above

    return f" (if its {QUANTITIES[name]} is in {unit})"


def _turn_rate(signals: Signals) -> tuple[str | None, float | None]:
    """The signal that tells it, and the turn rate exceeded in a twentieth of turning [deg/s]."""
    logged, heading = (signals.values.get(name) for name in ("turn_rate_deg_s", "heading_deg"))
    if logged is not None:
        return "turn_rate_deg_s", _fast(np.abs(logged))
    return "heading_deg", None if heading is None else _turned(signals, heading)


def _turned(signals: Signals, heading: Float) -> float | None:
    """The same from a heading alone."""
    good = np.isfinite(heading)
    value, time = heading[good], signals.time_ns[good] / 1e9
    fresh = np.concatenate([[True], value[1:] != value[:-1]]) if len(value) else good[:0]
    value, time = value[fresh], time[fresh]
    if len(value) < 20:
        return None
    turned = (np.diff(value) + 180.0) % 360.0 - 180.0  # a heading may wrap at either end
    # single steps carry the reading's rounding and the loop's jitter: ten of them hardly do
    span = min(10, len(turned) // 2)
    sums = np.convolve(turned, np.ones(span), "valid")
    lapse = time[span:] - time[:-span]
    return _fast(np.abs(sums[lapse > 0] / lapse[lapse > 0]))


def _fast(rate: Float) -> float | None:
    rate = rate[np.isfinite(rate)]
    if len(rate) < 20:
        return None
    found = percentiles(rate, [_PERCENT])[0]
    return found if math.isfinite(found) and found > 1.0 else None
