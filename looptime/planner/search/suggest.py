"""A search for plans: which remedies, alone and together, buy what, at what effort and risk."""

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace
from functools import cached_property

import numpy as np

from looptime.analysers.thread_rule import ThreadRule
from looptime.errors import UsageError
from looptime.heading.instants import heading_read_guess
from looptime.planner.answer.corners import play_all
from looptime.planner.answer.gain_end import end_of_gain
from looptime.planner.answer.intervals import RunScatter, planned
from looptime.planner.answer.measures import Number, work_ms
from looptime.planner.answer.predict import prepare_run
from looptime.planner.answer.prediction import untold_tail
from looptime.planner.answer.reading_age import first_use, reading_ages
from looptime.planner.changes import parse_all
from looptime.planner.known.bus_model import BusParameters
from looptime.planner.play.draft import KnownRun
from looptime.planner.search.candidates import candidates
from looptime.planner.search.look import Candidate, NotProposed, efforts, reach
from looptime.planner.search.proposals import RISKS, Proposal, Suggestions, older
from looptime.project import Heading
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.jackknife import jackknife

__all__ = ["Proposal", "Suggestions", "suggest"]

_LOOPS = 2_000
#: Power of the effort that a gain is held against: twice the effort is worth a fourth more gain.
_EFFORT = 1 / 3
_SEEN = 0.005
#: A remedy stands first whatever its effort if it surely gains so many times as much.
_CLEARLY = 1.1
#: A paced loop's mean may be this much longer than its tick: now and then one is late.
_SLACK = 1.01
_ALONE = 8
_MOST = 24


@dataclass(frozen=True)
class _Tried:
    means: tuple[float, float, float]  # middle, least and most [ms]
    p99: tuple[float, float, float]
    work: tuple[float, float, float]
    ages: dict[str, float]


def suggest(
    run: Run,
    *,
    buses: Mapping[str, BusParameters] | None = None,
    recurs: Mapping[str, str] | None = None,
    effort: Mapping[str, float] | None = None,
    target_hz: float | None = None,
    target_p99_ms: float | None = None,
    heading_call: str | None = None,
    heading: Heading | None = None,
    keep_warmup: bool = False,
    run_sd: float | None = None,
    threads: ThreadRule | None = None,
    progress: Callable[[float], None] | None = None,
) -> Suggestions:
    """Search the remedies that make sense for a log, alone and together.

    Parameters
    ----------
    run : Run
        The recording of today's code.
    buses, recurs
        As for `predict`.
    effort : dict of str to float, optional
        ``Project.effort``: effort classes that differ from the usual ones.
    target_hz, target_p99_ms : float, optional [1/s], [ms]
        What is to be reached.
    heading_call : str, optional
        The call that reads the heading; it is not made rarer.
    heading : Heading, optional
        As for `predict`.
    keep_warmup : bool
        Whether the first loops stay in.
    run_sd : float, optional
        Relative run-to-run standard deviation of the mean; else as for `predict`.
    threads : ThreadRule, optional
        Whether threads compute at once; else as for `predict`.
    progress : callable, optional
        Is told the share that is done, 0 to 1.

    Raises
    ------
    NotEnoughError
        If the run is too short.
    UsageError, ProjectError
        If a target or an effort class cannot be used.
    """
    for name, target in (("--target-hz", target_hz), ("--target-p99-ms", target_p99_ms)):
        if target is not None and not 0 < target < float("inf"):
            raise UsageError(f"{name} takes a number above 0, not {target!r}")
    classes = efforts(effort or {})
    short = prepare_run(
        run, buses=buses, recurs=recurs, keep_warmup=keep_warmup, sample_loops=_LOOPS,
        threads=threads,
    ).known  # fmt: skip
    scatter = RunScatter() if run_sd is None else RunScatter(run_sd, assumed=False)
    mean = jackknife(short.run.loop_columns.period_ns, ["mean"])["mean"]
    search = _Search(
        short, target_hz, target_p99_ms, progress or (lambda share: None), scatter,
        mean.wander / mean.value if mean.value else 0.0, stated=heading,
    )  # fmt: skip
    search.slack = 1.0 if short.pace is None else _SLACK
    found, left = candidates(short, classes, heading_call)
    return search.result(found, left, len(run), run.source)


@dataclass
class _Search:
    at: KnownRun
    target_hz: float | None
    target_p99_ms: float | None
    progress: Callable[[float], None]
    scatter: RunScatter = RunScatter()
    wander: float = 0.0  #: What the mean wanders along the log, over its value
    slack: float = 1.0  #: `_SLACK` where the loop is paced
    stated: Heading | None = None
    known: dict[tuple[str, ...], _Tried] = field(default_factory=dict)

    def result(
        self, found: list[Candidate], left: list[NotProposed], whole: int, source: str
    ) -> Suggestions:
        now = self.tried(())
        good: list[tuple[Candidate, _Tried]] = []
        for i, candidate in enumerate(found):
            self.progress(0.5 * i / max(len(found), 1))
            tried = self.tried_group((candidate,))
            why_not = self._why_not(candidate, now, tried)
            if why_not:
                left.append(NotProposed(" + ".join(candidate.changes), why_not))
            else:
                good.append((candidate, tried))
        good.sort(key=lambda pair: -self._worth(pair[0], now, pair[1]))
        alone = [((candidate,), tried) for candidate, tried in good]
        first = alone[:_ALONE] + [at for at in alone[_ALONE:] if _is_younger(at[0][0])]
        plans = first + self._together([candidate for candidate, _ in good], now)
        left += [
            NotProposed(" + ".join(c.changes), "others buy more for the effort and the risk")
            for (c,), _ in alone[_ALONE:]
            if not _is_younger(c)
        ]
        proposed = [self._proposal(group, now, tried) for group, tried in plans]
        alone_first = {p.changes: len(g) for (g, _), p in zip(plans, proposed, strict=True)}
        proposed.sort(
            key=lambda p: (not p.meets_targets, alone_first[p.changes] > 1, -self._rank(p))
        )
        singles = [p for p in proposed if alone_first[p.changes] == 1]
        proposed = self._most_first(proposed, singles, dict(zip(*self._ends(alone), strict=True)))
        paced = [self._at_pace(group) for group in ((), *(group for group, _ in plans))]
        floor = self._floor(paced)
        self.progress(1.0)
        kept = tuple(proposed[:_MOST])
        used = {text for plan in kept for text in plan.changes}
        remedies = tuple(c for c, _ in good if used.issuperset(c.changes))
        return Suggestions(
            {"mean": now.means[0], "p99": now.p99[0]}, floor, kept, remedies,
            tuple(left), self._targets(now, floor, paced), self._warnings(), len(self.at.run),
            whole, source, "work" if self.paced else "period", now.work[0] if self.paced else None,
            self.at.run.clock.supposed,
            gain_ends=self._gain_ends(now, kept), use=self.use,
        )  # fmt: skip

    @cached_property
    def use(self) -> str:
        """When the ages of readings are taken."""
        return first_use(self.at.run)

    @property
    def paced(self) -> bool:
        """Whether gains are about the work, as a pace keeps the period."""
        return self.at.judges_work

    def tried_group(self, group: tuple[Candidate, ...], pace: tuple[str, ...] = ()) -> _Tried:
        """Play some remedies, and what is assumed in each at its ends; `pace` after them.

        By how much an assumption shifts a figure is played with that remedy alone, but for a pace,
        which only the whole plan keeps or misses.
        """
        found = self.tried((*_changes(group), *pace))
        shifts: dict[str, list[list[float]]] = {"means": [], "p99": [], "work": []}
        for candidate in group:
            whole = group if pace else (candidate,)
            middle, *ends = (
                self.tried((*_changes(whole, candidate, changes), *pace))
                for changes in (candidate.changes, *candidate.ends)
            )
            for of, made in shifts.items():
                made.append([getattr(end, of)[0] - getattr(middle, of)[0] for end in ends])
        means, p99, work = (reach(getattr(found, of), made) for of, made in shifts.items())
        return replace(found, means=means, p99=p99, work=work)

    def tried(self, changes: tuple[str, ...]) -> _Tried:
        """Play a plan at the middle and both ends of what is not known, and only once."""
        if changes not in self.known:
            self.known[changes] = self._played(changes)
        return self.known[changes]

    def _played(self, changes: tuple[str, ...]) -> _Tried:
        _, settings, played = play_all(self.at, parse_all(changes))
        means = {at: one.mean_ns / 1e6 for at, one in played.items()}
        works = {at: work_ms(one.run) for at, one in played.items()} if self.paced else means
        p99 = {
            at: float(np.quantile(one.period_ns, 0.99, method="inverted_cdf")) / 1e6
            for at, one in played.items()
        }
        told = [reading_ages(played[at].run, self.stated) for at in settings.middle]
        ages = {n: float(np.mean([t[n].mean for t in told if n in t])) for n in told[0]}
        return _Tried(settings.span(means), settings.span(p99), settings.span(works), ages)

    def _gain(self, now: _Tried, tried: _Tried) -> tuple[float, float, float]:
        """Middle, best and worst change of the quantity judged [ms]."""
        was, after = (now.work, tried.work) if self.paced else (now.means, tried.means)
        return after[0] - was[0], after[1] - was[0], after[2] - was[0]

    def _why_not(self, candidate: Candidate, now: _Tried, tried: _Tried) -> str:
        middle, best, worst = self._gain(now, tried)
        least = _SEEN * now.means[0]
        if _is_younger(candidate):
            name = candidate.age_of or ""
            younger = now.ages.get(name, 0.0) - tried.ages.get(name, 0.0)
            return "" if younger > 0.02 * now.means[0] else "the reading would not get younger"
        if worst > -least and best < -least and not candidate.ends:
            return f"may make the loop slower: {best:+.2f} to {worst:+.2f} ms a loop"
        if middle > -least:
            return f"would not be seen: {middle:+.3f} ms a loop"
        return ""

    def _worth(self, candidate: Candidate, now: _Tried, tried: _Tried) -> float:
        middle, _, worst = self._gain(now, tried)
        return -(middle + worst) / 2 / max(candidate.effort, 0.1) ** _EFFORT / RISKS[candidate.risk]

    def _rank(self, plan: Proposal) -> float:
        gain = -((plan.gain_ms.value or 0.0) + (plan.gain_ms.high or 0.0)) / 2
        return gain / max(plan.effort, 0.1) ** _EFFORT / RISKS[plan.risk]

    def _ends(
        self, alone: Sequence[tuple[tuple[Candidate, ...], _Tried]]
    ) -> tuple[list[tuple[str, ...]], list[float]]:
        """Of each single remedy, the least that it gains by what is not known [ms]."""
        now = self.tried(())
        return [_changes(g) for g, _ in alone], [-self._gain(now, t)[2] for _, t in alone]

    def _most_first(
        self, proposed: list[Proposal], singles: list[Proposal],
        least: dict[tuple[str, ...], float],
    ) -> list[Proposal]:  # fmt: skip
        """The same with the single remedy first that clearly gains most, and what is cheaper."""
        if not singles or proposed[0] is not singles[0]:
            return proposed
        first = singles[0]
        alike = [p for p in singles if p.meets_targets == first.meets_targets and p.risk != "high"]
        if not alike:
            return proposed
        most = max(alike, key=lambda p: least[p.changes])
        gain, other = -(most.gain_ms.value or 0.0), -(first.gain_ms.value or 0.0)
        if most is first or least[most.changes] < _CLEARLY * other:
            return proposed
        told = replace(most, trade=_trade(first, other / gain, most, self.use))
        return [told, *(p for p in proposed if p is not most)]

    def _together(
        self, good: list[Candidate], now: _Tried
    ) -> list[tuple[tuple[Candidate, ...], _Tried]]:
        """Pairs of the best, and the best added one after the other as long as each still pays."""
        groups: list[tuple[Candidate, ...]] = [
            pair for pair in itertools.combinations(good[:4], 2)
            if not pair[0].calls & pair[1].calls
        ]  # fmt: skip
        made = [(group, tried) for group in groups if (tried := self._if_it_goes(group))]
        self.progress(0.75)
        chosen: tuple[Candidate, ...] = ()
        last = now
        for candidate in good[:6]:
            if any(candidate.calls & other.calls for other in chosen):
                continue
            group = (*chosen, candidate)
            tried = self._if_it_goes(group)
            if tried is None:
                continue
            as_assumed = self.tried(_changes(group))
            if self._gain(last, as_assumed)[2] < -_SEEN * now.means[0]:
                chosen, last = group, as_assumed
                if len(group) > 2:
                    made.append((group, tried))
        return made

    def _if_it_goes(self, group: tuple[Candidate, ...]) -> _Tried | None:
        """Some remedies played together; None where an earlier one leaves nothing for a later."""
        try:
            return self.tried_group(group)
        except UsageError:
            return None

    def _proposal(self, group: tuple[Candidate, ...], now: _Tried, tried: _Tried) -> Proposal:
        middle, best, worst = self._gain(now, tried)
        about = {name for c in group for name in c.calls} | {heading_read_guess(self.at.run)}
        ages = {
            name: (now.ages[name], age)
            for name, age in tried.ages.items()
            if name in now.ages and abs(age - now.ages[name]) > 0.1 * now.means[0]
        }
        told = {name: at for name, at in ages.items() if name in about or at[1] > at[0]}
        risk = max((c.risk for c in group), key=lambda r: RISKS[r])
        reasons = [c.why for c in group if c.why] if len(group) == 1 else []
        why = "; ".join([*reasons, *([older(told, self.use)] if told else [])])
        was = now.work[0] if self.paced else now.means[0]
        half = self.scatter.half(was, Number(was, 0.0, self.wander * was))
        say = "; ".join(c.say for c in group)
        check = "; ".join(dict.fromkeys(c.check for c in group))
        return Proposal(
            _changes(group), planned(middle, best - half, worst + half), tried.means[0],
            tried.p99[0], sum(c.effort for c in group), risk, why,
            self._meets(self._at_pace(group)), ages, say, check,
            worst_ms={"mean": tried.means[2], "p99": tried.p99[2]},
        )  # fmt: skip

    @property
    def quicker(self) -> tuple[str, ...]:
        """The change of pace without which no remedy brings a paced loop to the target rate."""
        if self.at.pace is None or self.target_hz is None:
            return ()
        tick_ms = self.at.pace[0].interval_ns / 1e6
        return (f"pace hz={self.target_hz:g}",) if 1e3 / self.target_hz < tick_ms / _SLACK else ()

    def _at_pace(self, group: tuple[Candidate, ...]) -> _Tried:
        """A plan as it would run where its pace lets it."""
        return self.tried_group(group, self.quicker)

    @property
    def wanted_ms(self) -> float:
        """The mean period that will do; a loop that is paced to it is late now and then."""
        return 1e3 / (self.target_hz or 1.0) * self.slack

    def _meets(self, tried: _Tried) -> bool | None:
        if self.target_hz is None and self.target_p99_ms is None:
            return None
        fast = self.target_hz is None or tried.means[2] <= self.wanted_ms
        return fast and (self.target_p99_ms is None or tried.p99[2] <= self.target_p99_ms)

    @staticmethod
    def _floor(tried: list[_Tried]) -> dict[str, float]:
        return {"mean": min(t.means[1] for t in tried), "p99": min(t.p99[1] for t in tried)}

    def _targets(
        self, now: _Tried, floor: dict[str, float], there: list[_Tried]
    ) -> tuple[str, ...]:
        """What can be said of each target; `there` is the loop as it is, then with each plan."""
        made = []
        if self.target_hz is not None:
            name = f"{self.target_hz:g} Hz (mean {1e3 / self.target_hz:.2f} ms)"
            if self.quicker and there[0].means[2] <= self.wanted_ms:
                made.append(
                    f"Target {name}: can be reached by the pace alone ({self.quicker[0]}); today "
                    f"the loop waits for its tick and takes {now.means[0]:.2f} ms."
                )
            else:
                means = [t.means[2] for t in there]
                made.append(self._target(name, self.wanted_ms, now.means[0], floor["mean"], means))
        if self.target_p99_ms is not None:
            made.append(
                self._target(f"p99 of {self.target_p99_ms:g} ms", self.target_p99_ms, now.p99[0],
                             floor["p99"], [t.p99[2] for t in there])
            )  # fmt: skip
        return tuple(made)

    def _target(
        self, name: str, wanted: float, now: float, floor: float, reached: list[float]
    ) -> str:
        pace = f" at that pace ({self.quicker[0]})" if self.quicker else ""
        if now <= wanted:
            return f"Target {name}: met today ({now:.2f} ms)."
        if any(at <= wanted for at in reached):
            return f"Target {name}: can be reached{pace}; today it is {now:.2f} ms."
        if floor <= wanted:
            return (
                f"Target {name}: can't tell{pace}: the best plan takes {floor:.2f} to "
                f"{min(reached):.2f} ms, by what is not known; today it is {now:.2f} ms."
            )
        rest = ", ".join(f"{n} {ms:.2f} ms" for n, ms in self._dearest())
        return (
            f"Target {name}: cannot be reached by the remedies tried{pace}; the floor is "
            f"{floor:.2f} ms. Dearest today: {rest}."
        )

    def _dearest(self) -> list[tuple[str, float]]:
        run, pieces = self.at.run, self.at.run.self_pieces()
        total = np.bincount(pieces.name, weights=pieces.self_ns, minlength=len(run.names))
        total[[name.kind == "pacing" for name in run.names]] = 0.0
        order = np.argsort(-total)[: min(4, np.count_nonzero(total))]
        return [(run.names[c].name, float(total[c]) / len(run) / 1e6) for c in order.tolist()]

    def _gain_ends(self, now: _Tried, kept: Sequence[Proposal]) -> tuple[str, ...]:
        gain = max((-(plan.gain_ms.value or 0.0) for plan in kept), default=0.0)
        return tuple(end_of_gain(self.at, now.means[0], gain))

    def _warnings(self) -> tuple[str, ...]:
        buses = {call.bus for call in self.at.run.names if call.kind == "sensor read"}
        coarse = untold_tail(self.at.run)
        if None not in buses:
            return coarse
        return (
            *coarse,
            "some sensor reads have no bus: named under [[call]] in looptime.toml, threads and "
            "batches can be judged by it",
        )


def _trade(cheap: Proposal, share: float, most: Proposal, use: str) -> str:
    """What a remedy that gains less has for it, and against it."""
    less = " for less work" if cheap.effort < most.effort else ""
    less += " at less risk" if RISKS[cheap.risk] < RISKS[most.risk] else ""
    ages = {n: at for n, at in cheap.age_at_first_use_ms.items() if at[1] > at[0]}
    name = max(ages, key=lambda n: ages[n][1] - ages[n][0], default="")
    but = f", but {name} would be {ages[name][1]:.1f} ms old {use}" if name else ""
    return f"{cheap.say} gives {100 * share:.0f} % of it{less}{but}"


def _is_younger(candidate: Candidate) -> bool:
    """Whether it is about the age of a reading and not about the loop's time."""
    return candidate.changes[0].startswith("later ")


def _changes(
    group: tuple[Candidate, ...], one: Candidate | None = None, end: tuple[str, ...] = ()
) -> tuple[str, ...]:
    """What a group changes, with one of its remedies as at an end of what is assumed in it."""
    made = (end if candidate is one else candidate.changes for candidate in group)
    return tuple(itertools.chain.from_iterable(made))
