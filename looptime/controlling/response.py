"""Overshoot, settling time and following error of moves, exact between the instants."""

from __future__ import annotations

import math

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.controlling.law import Plant
from looptime.controlling.simulate import Track
from looptime.controlling.target import Path
from looptime.records import dataclass
from looptime.stats.quantiles import element_number

__all__ = ["NODES", "Response", "Spread", "figures", "spread_of", "summed_up"]

#: Points of Gauss's rule in each piece, for the mean square of the following error.
NODES = 10
#: Places in the worst piece at which its greatest error is looked for.
FINE = 65


@dataclass(frozen=True)
class Spread:
    """A figure over all starts of the move; each is None where it is undefined."""

    mean: float | None
    p95: float | None
    worst: float | None


@dataclass(frozen=True)
class Response:
    """How a move goes, over all its starts."""

    overshoot: Spread  #: Beyond where the target comes to rest; None for a ramp and a sine; [unit]
    #: From when the target has done moving until the error stays within the tolerance; None where
    #: that is not within the time followed.
    settle_ms: Spread
    #: Error while the target moves; None for a step; [unit].
    following_rms: Spread
    following_max: Spread
    starts: int  #: Moves behind the figures


NOTHING = Spread(None, None, None)


def spread_of(values: Float) -> Spread:
    """Mean, p95 and worst of a figure over starts.

    Examples
    --------
    >>> spread_of(np.arange(1.0, 101.0))
    Spread(mean=50.5, p95=95.0, worst=100.0)
    """
    if not len(values):
        return NOTHING
    shown = (
        float(values.mean()),
        float(np.sort(values)[element_number(0.95, len(values)) - 1]),
        float(values.max()),
    )
    return Spread(*(value if math.isfinite(value) else None for value in shown))


def summed_up(over: Float, settle: Float, rms: Float, greatest: Float) -> Response:
    """A response from its figures, one value a move (NaN where they do not apply)."""
    overshoot, settled, following, most = (
        NOTHING if np.isnan(one).any() else spread_of(one)
        for one in (over, settle * 1e3, rms, greatest)
    )
    return Response(overshoot, settled, following, most, len(over))


def figures(
    plant: Plant, path: Path, track: Track, horizon_s: float, tolerance: float, nodes: int = NODES
) -> tuple[Float, Float, Float, Float]:
    """Overshoot, settling time [s], rms and greatest error of each move; each of shape (c,).

    Parameters
    ----------
    plant, path, track : Plant, Path, Track
        What moved, where it was to go and what it did.
    horizon_s : float [s]
        How long they are followed.
    tolerance : float [unit]
        Error within which they have settled.
    nodes : int
        Points of Gauss's rule in each piece.
    """
    columns = track.use_s.shape[1]
    nothing = np.full(columns, np.nan)
    if not columns:
        return nothing, nothing, nothing, nothing
    if path.comes_to_rest:
        over, settle = _after(plant, path, track, horizon_s, tolerance)
    else:
        over = settle = nothing
    rms, greatest = (nothing, nothing) if not path.end_s else _along(plant, path, track, nodes)
    return over, settle, rms, greatest


@dataclass(frozen=True)
class _Pieces:
    """Stretches in which output and target are smooth, as rows; all of shape (m, c)."""

    begin: Float
    end: Float
    x: Float
    v: Float
    output: Float
    used: Float

    def seen(self, plant: Plant, time: Float) -> Float:
        since = np.maximum(time - self.used, 0.0)
        return plant.measured_after(self.x, self.v, self.output, since)

    def row(self, at: Int) -> _Pieces:
        """One piece of each column."""
        where = (at, np.arange(len(at)))
        return _Pieces(
            self.begin[where], self.end[where], self.x[where], self.v[where],
            self.output[where], self.used[where],
        )  # fmt: skip


def _pieces(track: Track, low: float, high: float, breaks: list[Float]) -> _Pieces:
    track = _within(track, low, high)
    use = track.use_s
    n, columns = use.shape
    if not breaks:
        time = np.clip(use, low, high)
        return _Pieces(time[:-1], time[1:], track.x[:-1], track.v[:-1], track.output[:-1], use[:-1])
    places = np.concatenate([use, *(np.broadcast_to(b, (len(b), columns)) for b in breaks)])
    order = np.argsort(places, axis=0, kind="stable")
    time = np.clip(np.take_along_axis(places, order, axis=0), low, high)
    hold = np.maximum(np.cumsum(order < n, axis=0) - 1, 0)[:-1]
    pick = [np.take_along_axis(a, hold, axis=0) for a in (track.x, track.v, track.output, use)]
    return _Pieces(time[:-1], time[1:], *pick)


def _within(track: Track, low: float, high: float) -> Track:
    """The holds in which any move is between two instants."""
    use = track.use_s
    first = np.argmax((use[1:] > low).any(axis=1))
    last = len(use) - np.argmax((use[-2::-1] < high).any(axis=1))
    part = slice(first, max(last, first + 2))
    return Track(use[part], track.x[part], track.v[part], track.output[part])


def _after(
    plant: Plant, path: Path, track: Track, horizon: float, tolerance: float
) -> tuple[Float, Float]:
    """Overshoot beyond the final target, and the time until the error stays within tolerance."""
    final = path.final
    sign = math.copysign(1.0, final)
    whole = _pieces(track, 0.0, horizon, [])
    stops = _stops(plant, whole)
    beyond = np.where(whole.end > whole.begin, sign * (stops[1] - final), 0.0)
    over = np.maximum(np.max(beyond, axis=(0, 1)), 0.0)
    if path.end_s:
        whole = _pieces(track, path.end_s, horizon, [])
        stops = _stops(plant, whole)
    return over, _settled(plant, whole, stops, final, tolerance) - path.end_s


def _stops(plant: Plant, at: _Pieces) -> tuple[Float, Float]:
    """When each piece turns round, and what is measured at its begin, then, and at its end."""
    turn = _turning(plant, at)
    return turn, np.array([at.seen(plant, time) for time in (at.begin, turn, at.end)])


def _turning(plant: Plant, at: _Pieces) -> Float:
    """When the measured value turns round within each piece; its beginning where it does not."""
    tau = plant.time_constant_s
    if plant.kind == "speed" or not tau:
        return at.begin
    w = plant.full_speed * (at.output - plant.load)
    with np.errstate(divide="ignore", invalid="ignore"):
        after = at.used + tau * np.log((w - at.v) / w)
    inside = (after > at.begin) & (after < at.end)
    return np.where(inside, after, at.begin)


def _settled(
    plant: Plant, at: _Pieces, seen: tuple[Float, Float], final: float, tolerance: float
) -> Float:
    """When the error is outside the tolerance for the last time; infinite at the very end."""

    def off(measured: Float) -> Bool:
        return np.abs(measured - final) - tolerance > 0

    turn, stops = seen[0], off(seen[1])
    there = np.less(at.begin, at.end)
    stops &= there  # a piece of no length says nothing
    last = _last_row(np.asarray(stops.any(axis=0)))
    rows = np.maximum(last, 0)
    piece, columns = at.row(rows), np.arange(len(rows))
    turned, late = turn[rows, columns], stops[1:, rows, columns]
    low = np.where(late[0], turned, piece.begin)
    high = np.where(late[0], piece.end, np.where(turned > piece.begin, turned, piece.end))
    for _ in range(60):
        middle = 0.5 * (low + high)
        still = off(piece.seen(plant, middle))
        low, high = np.where(still, middle, low), np.where(still, high, middle)
    never = late[1] & (last == _last_row(there))
    return np.where(last < 0, at.begin[0], np.where(never, np.inf, high))


def _last_row(holds: Bool) -> Int:
    """Last row of each column in which something holds; -1 where it never does."""
    rows = np.arange(len(holds))[:, None]
    return np.asarray(np.where(holds, rows, -1).max(axis=0))


def _along(plant: Plant, path: Path, track: Track, nodes: int) -> tuple[Float, Float]:
    """Rms and greatest error while the target moves."""
    breaks = [path.begins_s[1:, None]]
    tau, hold = plant.time_constant_s, np.diff(track.use_s, axis=0)
    inner = (track.use_s[1:] > 0) & (track.use_s[:-1] < path.end_s)
    if tau and hold[inner].max(initial=0.0) > 4 * tau:  # the mechanism is quick: it needs its own
        breaks.append(np.minimum(track.use_s[:-1] + 4 * tau, track.use_s[1:]))
    at = _pieces(track, 0.0, path.end_s, breaks)
    used = (at.end > at.begin).any(axis=1)
    at = _Pieces(*(a[used] for a in (at.begin, at.end, at.x, at.v, at.output, at.used)))

    def error(part: _Pieces, time: Float) -> Float:
        return path.at(time) - part.seen(plant, time)

    place, weight = np.polynomial.legendre.leggauss(nodes)
    half, middle = (at.end - at.begin) / 2, (at.end + at.begin) / 2
    there = at.end > at.begin
    square, greatest = np.zeros(at.end.shape), np.abs(error(at, at.end)) * there
    for s, w in zip(place, weight, strict=True):
        here = error(at, middle + s * half)
        square += w * half * here * here
        greatest = np.maximum(greatest, np.abs(here) * there)
    worst = np.argmax(greatest, axis=0)
    piece, share = at.row(worst), np.linspace(0.0, 1.0, FINE)[:, None]
    finer = np.abs(error(piece, piece.begin + share * (piece.end - piece.begin)))
    found = np.maximum(greatest.max(axis=0), finer.max(axis=0))
    return np.sqrt(square.sum(axis=0) / path.end_s), found
