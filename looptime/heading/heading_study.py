"""The whole question at once: from a run's timing to heading and position error."""

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.errors import NotEnoughError, UsageError
from looptime.heading.age_distribution import (
    AgeParts,
    age_parts,
    block_sums,
    by_block,
    leave_out,
    ratio,
)
from looptime.heading.block_intervals import figure
from looptime.heading.curve import (
    CurvePoint,
    Models,
    RatePoint,
    StaleModel,
    end_rms,
    gathered,
    rate_curve,
    sampling_at,
)
from looptime.heading.growth import CANNOT_TELL, Growth, growth
from looptime.heading.instants import AGED, STAMPED, Labels, sampling_from_run, unbroken
from looptime.heading.integrated import (
    AssumedStep,
    end_errors,
    errors_along,
    noise_variance,
    random_starts,
    step_lengths,
    stepped_errors,
)
from looptime.heading.motion import Motion, Profile, Recorded, Weave
from looptime.heading.path import dead_reckoned
from looptime.heading.pattern import BLOCKS, Sampling, sample_stretches
from looptime.heading.phase import phase_lost
from looptime.heading.required import (
    CAUTIONS,
    Fastest,
    Required,
    required_rate,
    size_of,
    stops_helping_hz,
)
from looptime.heading.result import (
    Ensemble,
    HeadingResult,
    Integrated,
    MeanSquares,
    PathError,
    Resolution,
)
from looptime.heading.sensor import PERFECT, Sensor
from looptime.heading.setup import Setup, Tolerance
from looptime.heading.spelling import parse_motion, recorded_motion
from looptime.run import Run

__all__ = ["PATTERNS", "study"]

PATTERNS = ("as recorded", "even", "log shape", "scaled")
#: Loops beyond which a representative sample of stretches answers.
SAMPLE_LOOPS = 20_000
#: Length of drive over which a path error is taken for motions without an end [s].
PATH_S = 1.0
#: Most starts for which a path is added up step by step.
PATH_STARTS = 400
#: A reading that could not be younger at its use than this share of what it is, is late enough.
_LATE = 0.9
_DEG = math.degrees(1.0)
#: A path that turns by more than this [rad] is none of a robot, and its pieces fill the memory.
_MOST_TURNED = 1e7
#: Manoeuvres begun within the length of one, for the growth over many of them.
STRANDS = 8


def study(
    run: Run,
    *,
    motion: Motion | str,
    setup: Setup | None = None,
    pattern: str = "as recorded",
    rate_hz: float | None = None,
    tolerance: Tolerance | None = None,
    curve: bool = True,
    sample_loops: int | None = SAMPLE_LOOPS,
) -> HeadingResult:
    """What a run's timing costs in degrees and millimetres, and what another rate would cost.

    Parameters
    ----------
    run : Run
        Recorded or predicted.
    motion : Motion or str
        See `looptime.heading.spelling.parse_motion`.
    setup : Setup, optional
        How the code goes about its heading; else the usual.
    pattern : str
        One of `PATTERNS`; any but ``as recorded`` needs a rate.
    rate_hz : float, optional [Hz]
        Wanted loop rate.
    tolerance : Tolerance, optional
        What error is tolerable.
    curve : bool
        Whether to work out the figures from 5 Hz to 1 kHz too (needed for a required rate).
    sample_loops : int or None
        Longer logs are judged from a representative sample of so many loops; None for all.

    Raises
    ------
    UsageError
        If the motion, a label, a rate or a tolerance cannot be.
    NotEnoughError
        If the log is too short for the motion, or lacks the signal that ``recorded`` needs.

    Examples
    --------
    Even loops of 10 ms, read at their start and used there: at 180 deg/s the heading is 0.9 deg
    old on average and 1.8 deg at most.

    >>> from looptime.run import LoopColumns, Run
    >>> start = np.arange(1000) * 10_000_000
    >>> run = Run(LoopColumns(np.arange(1000), start, np.full(1000, 10_000_000)))
    >>> found = study(run, motion="steady:180", curve=False).to_dict()["stale_heading_deg"]
    >>> round(found["mean"]["value"], 9), round(found["max"], 9)
    (0.9, 1.8)
    """
    setup, tolerance = setup or Setup(), tolerance or Tolerance()
    if setup.sensor.update_ms:  # the sensor's pace is stated
        setup = replace(setup, labels=replace(setup.labels, from_values=False))
    loops_in_run = len(run)
    if isinstance(motion, Recorded) or motion == "recorded":
        whole, run = run, unbroken(run)
        motion = motion if run is whole and isinstance(motion, Recorded) else recorded_motion(run)
    if isinstance(motion, str):
        motion = parse_motion(motion)
    if pattern not in PATTERNS:
        raise UsageError(f"pattern {pattern!r} is not known: use {', '.join(PATTERNS)}")
    if (pattern == "as recorded") != (rate_hz is None):
        raise UsageError(
            "a loop rate goes with the patterns even, log shape and scaled, and they with it"
        )
    base = _base(run, setup.labels, motion, sample_loops)
    models = _models(motion, setup, base)
    _long_enough(motion, base)
    stale_model = StaleModel(models, many=curve)
    chosen = base if rate_hz is None else sampling_at(base, pattern, rate_hz, models)
    made = setup.sensor.apply(chosen)
    points = (
        rate_curve(models, base, patterns=_patterns(pattern), stale=stale_model) if curve else ()
    )
    parts = age_parts(made)
    ours = CurvePoint(
        pattern, made.rate_hz, parts.mean_ms, stale_model(made, exact=True), end_rms(models, made)
    )
    return HeadingResult(
        motion=motion.text,
        motion_limits=motion.limits,
        peak_rate=motion.peak_rate,
        pattern=pattern,
        rate_hz=_rate(made),
        age=parts,
        age_if=_other_instant(run, setup, base),
        stale=ours.stale,
        integrated=_integrated(models, setup, made),
        path=_path(models, setup, made, ours),
        phase=phase_lost(made, parts.mean_ms, setup.crossover_hz),
        curve=points,
        required=_required(tolerance, points, models, base, ours, stale_model),
        stops_helping_hz=stops_helping_hz(points),
        resolution=_resolution(setup.sensor, made),
        loops_used=len(base),
        loops_in_run=loops_in_run,
        notes=_notes(made, setup, motion, loops_in_run - len(run)),
        cautions=CAUTIONS,
        supposed=run.clock.supposed + motion.supposed,
        work=base.work,
    )


def _base(run: Run, labels: Labels, motion: Motion, sample_loops: int | None) -> Sampling:
    base = sampling_from_run(run, labels, prepare(run))
    if sample_loops is None or isinstance(motion, Recorded):
        return base
    return sample_stretches(base, sample_loops)


def _patterns(pattern: str) -> tuple[str, ...]:
    return ("even", "log shape", "scaled") if pattern == "scaled" else ("even", "log shape")


def _long_enough(motion: Motion, base: Sampling) -> None:
    if not base.read_s[-1] > base.read_s[0]:
        raise NotEnoughError("the log holds one reading of the heading: two or more are needed")
    if motion.peak_rate * _path_s(motion, base) > _MOST_TURNED:
        raise UsageError(
            f"the motion {motion.text} turns by up to {math.degrees(motion.peak_rate):.3g} deg/s, "
            "which no robot does: see whether its values are headings, and in which unit"
        )
    duration = motion.duration_s
    if duration is not None and duration >= base.duration_s:
        raise NotEnoughError(
            f"the log is too short for the motion {motion.text}: {base.duration_s:.3g} s of loops, "
            f"and the motion lasts {duration:.3g} s"
        )


def _path_s(motion: Motion, base: Sampling) -> float:
    """How long the motion goes on whose path is reckoned."""
    return min(10.0, base.duration_s / 4) if motion.duration_s is None else motion.duration_s


def _models(motion: Motion, setup: Setup, base: Sampling) -> Models:
    over = _path_s(motion, base)
    return Models(
        motion, setup.lead, setup.sensor, setup.integration, setup.step,
        None if setup.latency_ms is None else setup.latency_ms / 1e3,
        None if setup.slow_ms is None else setup.slow_ms / 1e3,
        over, setup.seed,
    )  # fmt: skip


def _rate(sampling: Sampling) -> Figure:
    count = by_block(sampling, np.ones(len(sampling)))
    time = by_block(sampling, sampling.hold_s)
    return figure(sampling.rate_hz, ratio(leave_out(count), leave_out(time)), positive=True)


def _other_instant(run: Run, setup: Setup, base: Sampling) -> dict[str, AgeParts]:
    """Ages for both read instants, where the read is a call."""
    if _no_call_tells(base.notes):
        return {}
    found = {}
    for instant in ("start", "end"):
        made = sampling_from_run(run, replace(setup.labels, read_instant=instant))
        found[instant] = age_parts(setup.sensor.apply(made))
    return found


def _no_call_tells(notes: Iterable[str]) -> bool:
    """Whether no call, but the log's values, or nothing, tells when a reading was taken."""
    return any("read unknown" in note or AGED in note or STAMPED in note for note in notes)


def _integrated(models: Models, setup: Setup, made: Sampling) -> Integrated:
    at, error, weight = _ends(models, setup, made)
    measured = replace(models, step=AssumedStep(), sensor=PERFECT)
    rule = end_rms(measured, sampling_at(made, "even", made.rate_hz, measured)).value or 0.0
    ends = _ensemble(error, weight, made.block[at], signed=True)
    total = (ends.rms.value or 0.0) ** 2
    share = models.over_s / made.duration_s
    sensor = setup.sensor
    noise = noise_variance(made, models.integration, models.step, math.radians(sensor.noise_deg_s))
    squares = MeanSquares(
        timing=total - rule**2,
        rule=rule**2,
        noise=noise * share + math.radians(sensor.density_deg_rt_s) ** 2 * models.over_s,
        bias=(math.radians(sensor.bias_deg_s) * models.over_s) ** 2,
    )
    law = _growth(models, made)
    return Integrated(
        models.integration, models.step.text, models.over_s, ends, law.coefficient, law, squares
    )


def _ends(models: Models, setup: Setup, made: Sampling) -> tuple[Int, Float, Float]:
    """Loop of each start, error at the end of the motion, and weight of the start."""
    motion, cut = models.motion, math.radians(setup.sensor.resolution_deg)
    if not isinstance(motion, Profile):
        along = errors_along(motion, made, models.integration, models.step, cut)
        return gathered(along, made, models.over_s)
    limit = 20_000 if not cut else PATH_STARTS
    starts, weight = random_starts(made, motion.duration_s, models.seed, limit)
    at = np.clip(np.searchsorted(made.use_s, starts, side="right") - 1, 0, len(made) - 1)
    if cut:
        error = stepped_errors(
            motion, made, models.integration, models.step, starts, motion.duration_s, cut
        )
    else:
        error = end_errors(motion, made, models.integration, models.step, starts)
    return at, error, weight


def _ensemble(error: Float, weight: Float, block: Int, *, signed: bool = False) -> Ensemble:
    """Mean, root mean square, p95 and worst of an error over its starts."""
    if not len(error):
        nothing = Figure(None)
        return Ensemble(nothing, nothing, nothing, None)
    size = np.abs(error)
    sums = np.stack(
        [
            block_sums(block, weight * f)
            for f in (np.ones_like(size), error if signed else size, size * size)
        ],
        axis=1,
    )
    left = ratio(leave_out(sums), leave_out(sums)[:, :1])
    time, mean, square = sums.sum(axis=0)
    order = np.argsort(size, kind="stable")
    ranked = (size[order], weight[order], block[order])
    p95 = _weighted_quantile(ranked[0], ranked[1])
    lefts = np.array(
        [
            _weighted_quantile(ranked[0], np.where(ranked[2] == b, 0.0, ranked[1]))
            for b in range(BLOCKS)
        ]
    )
    return Ensemble(
        figure(float(mean / time), left[:, 1]),
        figure(math.sqrt(square / time), np.sqrt(left[:, 2]), positive=True),
        figure(p95, lefts, positive=True),
        float(size.max()),
    )


def _weighted_quantile(ascending: Float, weight: Float) -> float:
    total = np.cumsum(weight)
    if total[-1] <= 0:
        return math.nan
    at = int(np.searchsorted(total, 0.95 * total[-1] * (1 - 1e-12)))
    return float(ascending[min(at, len(ascending) - 1)])


#: Motions one after another from whose ends growth is told.
_MOST_ROWS = 50_000


def _growth(models: Models, made: Sampling) -> Growth:
    motion = models.motion
    if not isinstance(motion, Profile):
        along = errors_along(motion, made, models.integration, models.step)
        grid = np.linspace(made.read_s[0], made.read_s[-1], min(len(made), 4000) + 1)
        shortest = 1 / motion.frequency_hz if isinstance(motion, Weave) else 0.0
        spacing = float(grid[1] - grid[0])
        return growth(np.interp(grid, made.read_s, along), spacing, shortest)
    spacing = motion.duration_s / STRANDS
    first = max(float(made.read_s[0]), float(made.taken_s[0]))
    last = min(float(made.read_s[-1]), float(made.taken_s[-1])) - motion.duration_s
    rows = min(int((last - first) / motion.duration_s), _MOST_ROWS)  # a run may last for years
    if rows < 2:
        return Growth(CANNOT_TELL, Figure(None), Figure(None))
    starts = first + spacing * np.arange(rows * STRANDS, dtype=np.float64)
    each = end_errors(motion, made, models.integration, models.step, starts)
    walk = np.cumsum(each.reshape(rows, STRANDS), axis=0)
    return growth(walk, motion.duration_s)


def _path(models: Models, setup: Setup, made: Sampling, ours: CurvePoint) -> PathError:
    motion = models.motion
    duration = motion.duration_s if motion.duration_s is not None else min(PATH_S, models.over_s)
    starts, weight = random_starts(made, duration, models.seed, PATH_STARTS)
    at = np.clip(np.searchsorted(made.use_s, starts, side="right") - 1, 0, len(made) - 1)
    offset = np.abs(
        dead_reckoned(
            motion, made, starts, duration, setup.path_heading, isinstance(motion, Recorded)
        )
    )
    ends = _ensemble(offset * setup.speed_m_s, weight, made.block[at])
    aside = ours.stale.lateral, ours.stale.sideways
    return PathError(setup.path_heading, setup.speed_m_s, duration, *aside, ends)


def _required(
    tolerance: Tolerance, points: tuple[CurvePoint, ...], models: Models, base: Sampling,
    ours: CurvePoint, stale_model: StaleModel,
) -> dict[str, Required]:  # fmt: skip
    if not points or (tolerance.deg is None and tolerance.mm is None):
        return {}
    made = models.sensor.apply(sampling_at(base, "even", base.rate_hz, models))
    alike = CurvePoint(
        "even", made.rate_hz, Figure(None), stale_model(made, exact=True), Figure(None)
    )
    found, at = {}, RatePoint(models, base, stale_model)
    asked = (
        ("tolerance_deg", tolerance.deg, tolerance.judged, _DEG),
        ("tolerance_mm", tolerance.mm, "sideways", 1e3),
    )
    for key, wanted, judged, factor in asked:
        if wanted is None:
            continue
        fastest = _fastest(judged, points, models, base, stale_model)
        need = required_rate(wanted / factor, judged, points, ours, alike, at, fastest)
        found[key] = replace(
            need, tolerance=wanted,
            fastest=None if fastest is None else fastest.scaled(factor),
        )  # fmt: skip
    return found


def _fastest(
    judged: str, points: tuple[CurvePoint, ...], models: Models, base: Sampling,
    stale_model: StaleModel,
) -> Fastest | None:  # fmt: skip
    """The figure at the fastest pace that the loop's work allows, as it reads and reading late."""
    last = [p for p in points if p.pattern == "even"][-1]
    rate, least = base.work.fastest_hz, base.work.least_s
    if last.rate_hz != rate:
        return None

    def with_latency(seconds: float | None) -> tuple[float, float]:
        made = sampling_at(base, "even", rate, replace(models, latency_s=seconds))
        made = models.sensor.apply(made)
        there = CurvePoint("even", rate, Figure(None), stale_model(made), Figure(None))
        return float(made.latency_s.mean()), size_of(there, judged)

    latency, value = with_latency(models.latency_s)
    if least is not None:
        least += float(base.own_s[:-1].mean())
    if least is None or least > _LATE * latency:
        return Fastest(rate, value, latency * 1e3)
    sooner, better = with_latency(least)
    return Fastest(rate, value, latency * 1e3, sooner * 1e3, better)


def _resolution(sensor: Sensor, made: Sampling) -> Resolution | None:
    if not sensor.resolution_deg:
        return None
    step = float(np.median(step_lengths(made, AssumedStep())))
    return Resolution(
        sensor.resolution_deg, sensor.resolution_deg / step if step > 0 else None,
        sensor.resolution_deg / math.sqrt(12.0),
    )  # fmt: skip


def _notes(made: Sampling, setup: Setup, motion: Motion, left_out: int) -> tuple[str, ...]:
    notes = [*made.notes, *motion.limits]
    if left_out:
        notes.append(f"only the longest unbroken stretch is used: {left_out:,} loops are left out")
    if setup.labels.read_instant == "start" and not _no_call_tells(notes):
        notes.append(
            "a reading counts from the start of its call; for a call that waits, "
            "read_instant = end is right"
        )
    frequency = getattr(motion, "frequency_hz", None)
    if frequency is not None and frequency * made.hold_s.mean() > 0.5:
        notes.append("the weave is faster than half the loop rate: the loop cannot follow it")
    return tuple(notes)
