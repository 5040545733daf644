"""A motion seen through the age of the reading: tables that serve every sampling pattern.

For a motion that may begin at any moment, the error at age ``a`` with lead ``l`` takes the values
``h(x) - h(x - a) - l w(x - a)`` for x over the motion, all alike. So every figure over time is an
average over the distribution of the age, which `AgeTable.weights` finds exactly from the holds.
"""

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.heading.lead import Lead
from looptime.heading.motion import Motion
from looptime.heading.pattern import BLOCKS, Sampling
from looptime.heading.sizes import Sizes, sizes_of
from looptime.records import dataclass

__all__ = ["AgeTable", "make_table"]

#: Shortest age told apart from 0 [s].
SHORTEST_S = 2e-4


@dataclass(frozen=True)
class AgeTable:
    """The error's size, square, sine and the size of that by age, and its distribution."""

    lead: Lead  #: By how much the code extrapolates
    #: Leads for which the table was made; one unless the lead is measured; shape (i,) [s].
    leads: Float
    #: Ages, or ages less the lead where it is measured; the first is 0; shape (m + 1,) [s].
    nodes: Float
    #: Means over the motion, float array, shape (i (m + 1),) [rad], [rad2], [1], [1].
    size: Float
    square: Float
    sine: Float
    sine_size: Float
    peak: Float  #: Largest size over the motion, shape (i (m + 1),) [rad]
    sizes: Sizes  #: Of the error in each cell of ages, at each moment of the motion
    phases: int  #: About how many moments of the motion were taken

    def weights(self, sampling: Sampling) -> tuple[Float, Float]:
        """Time spent at each node and in each cell, by block, exact.

        Node j weighs ``integral hat_j(z) dt``, with the hat functions of linear interpolation, so
        that the mean of a table is that of its linear interpolant; cell m weighs the time in it.

        Returns
        -------
        nodes : float array, shape (BLOCKS, i (m + 1)) [s]
        cells : float array, shape (BLOCKS, i m) [s]
        """
        lead = self.lead.per_hold(sampling)
        measured = self.lead.kind == "measured"
        if float((sampling.latency_s + sampling.hold_s).max()) > self.nodes[-1]:
            raise ValueError("the table does not reach to the greatest age of this sampling")
        begin = sampling.latency_s - lead if measured else sampling.latency_s
        begin = np.maximum(begin, 0.0)
        block = sampling.block
        if len(self.leads) == 1:
            return _age_weights(begin, sampling.hold_s, None, block, BLOCKS, self.nodes)
        at = np.clip(np.searchsorted(self.leads, lead) - 1, 0, len(self.leads) - 2)
        part = np.clip((lead - self.leads[at]) / np.diff(self.leads)[at], 0.0, 1.0)
        group = block * len(self.leads) + at
        nodes, cells = _age_weights(
            np.tile(begin, 2), np.tile(sampling.hold_s, 2), np.concatenate([1 - part, part]),
            np.concatenate([group, group + 1]), BLOCKS * len(self.leads), self.nodes,
        )  # fmt: skip
        return nodes.reshape(BLOCKS, -1), cells.reshape(BLOCKS, -1)

    def quantile(self, cells: Float, share: float) -> Figure:
        """Quantile of the error's size over time, with its interval [rad].

        Parameters
        ----------
        cells : float array, shape (BLOCKS, i m) [s]
            Time in each cell of ages.
        share : float
            0.95 for p95.
        """
        return self.sizes.quantile(cells, share)


def make_table(
    motion: Motion, lead: Lead, greatest_s: float, *, cells: int = 1600, phases: int = 256,
    sizes: int = 2000, leads: Float | None = None, many: bool = False,
) -> AgeTable:  # fmt: skip
    """The table of a motion and a lead.

    Parameters
    ----------
    motion : Motion
        Any but a recorded one.
    lead : Lead
        By how much the code extrapolates.
    greatest_s : float [s]
        Greatest age that will be asked for.
    cells, phases, sizes : int
        Resolution in age, phase and size of error; halving it moves no figure by more than 1e-4.
    leads : float array, optional, shape (i,) [s]
        Leads to tabulate where the lead is measured.
    many : bool
        Whether quantiles of many samplings will be asked for: each is then quicker.
    """
    nodes = np.geomspace(SHORTEST_S, max(greatest_s * 1.001, 2 * SHORTEST_S), cells)
    nodes = np.concatenate([[0.0], nodes])
    moments, shares = motion.phases(phases)
    measured = lead.kind == "measured"
    at = np.array([lead.fixed_s]) if leads is None or not measured else leads
    heading = motion.heading(moments)
    rows = []
    for ahead in at:
        before = moments - (nodes[:, None] + (ahead if measured else 0.0))
        error = heading - motion.heading(before)
        rows.append(error - ahead * motion.rate(before) if ahead else error)
    peak = np.concatenate([np.abs(e).max(axis=1) for e in rows])
    sines = [np.sin(e) for e in rows]
    highest = max(float(peak.max()), 1e-12) * 1.0001
    grid = np.geomspace(highest * min(1e-4, 3e-4 / nodes[-1]), highest, sizes)
    return AgeTable(
        lead, at, nodes,
        np.concatenate([np.abs(e) @ shares for e in rows]),
        np.concatenate([(e * e) @ shares for e in rows]),
        np.concatenate([e @ shares for e in sines]),
        np.concatenate([np.abs(e) @ shares for e in sines]),
        peak, sizes_of(rows, shares, grid, tabulate=many), phases,
    )  # fmt: skip


def _age_weights(
    begin: Float, width: Float, weight: Float | None, group: Int, groups: int, nodes: Float
) -> tuple[Float, Float]:
    """Integrals of the hat functions and of the cells over ages that run evenly through holds."""
    ends = [(value, _first_node_above(nodes, value)) for value in (begin, begin + width)]
    youngest = min(int(place.min()) for _, place in ends)
    # the nodes before and after are of no reading
    young = min(max(youngest - 1, 0), len(nodes) - 2)
    old = max(int(ends[1][1].max()) + 1, young + 2)
    before, after = np.zeros((groups, young)), np.zeros((groups, len(nodes[old:])))
    nodes = nodes[young:old]
    m = len(nodes)
    (first, second), (first_end, second_end) = (
        _passed_sums(value, group * (m + 1) + (place - young), weight, groups, nodes)
        for value, place in ends
    )
    first -= first_end
    second = (second - second_end) / 2
    cells = np.diff(first, axis=1)
    steps = np.diff(second, axis=1) / np.diff(nodes)
    hats = np.diff(steps, axis=1, prepend=0.0)
    last = first[:, -1:] - steps[:, -1:]
    hats = np.concatenate([before, hats, last, after], axis=1)
    return hats, np.concatenate([before, cells, after], axis=1)


def _passed_sums(
    value: Float, at: Int, weight: Float | None, groups: int, nodes: Float
) -> tuple[Float, Float]:
    """Sums of ``(node - value)+`` and of its square, by group and node; shape (groups, nodes)."""
    m = len(nodes)
    w1 = value if weight is None else weight * value
    n0, n1, n2 = (
        np.cumsum(np.bincount(at, w, minlength=groups * (m + 1)).reshape(groups, -1)[:, :m], axis=1)
        for w in (weight, w1, w1 * value)
    )
    return n0 * nodes - n1, n0 * nodes * nodes - 2 * nodes * n1 + n2


def _first_node_above(nodes: Float, value: Float) -> Int:
    """As searchsorted, by the nodes' even ratio: they are 0, then a geometric sequence."""
    ratio = np.log(nodes[-1] / nodes[1]) / (len(nodes) - 2)
    with np.errstate(divide="ignore"):
        place = np.ceil((np.log(value) - np.log(nodes[1])) / ratio) + 1
    return np.clip(np.where(value <= 0, 0, place), value > 0, len(nodes)).astype(np.intp)
