"""What the pages ask for: the run and the summary that a view means, and pictures to export."""

from __future__ import annotations

import os
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from operator import eq
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from weakref import ref

import numpy as np

from looptime.errors import UsageError
from looptime.notes import Note, read_notes
from looptime.project import Project
from looptime.questions.asked import Asked
from looptime.questions.timing import part, phases, summary_of_part, warmup_loops
from looptime.run import Run, SelfPieces
from looptime.views.figures.picture import Picture
from looptime.views.files.html import csv_text
from looptime_dashboards.cut import blocks_of, cut, range_of, stretches
from looptime_dashboards.following import Following
from looptime_dashboards.library import Library
from looptime_dashboards.view import View
from looptime_dashboards.work import Work

if TYPE_CHECKING:
    from looptime.analysers.summary import Summary

__all__ = ["SAMPLE_FROM", "Desk"]

#: Loops that stand for a long run where a change is tried on it.
SAMPLE_FROM = 20_000
#: Loops from which on a summary is first answered from a sample, and the sample's loops.
_LONG, _SAMPLE = 4_000, 3_000
_MOST_EXPORTS = 300
_MOST_DRAWN = 8
#: Summaries of long parts that are kept: each holds tens of megabytes.
_MOST_LONG = 3
T = TypeVar("T")


class Desk:
    """One dashboard's logs and what has been worked out of them; nothing is shared beyond it."""

    def __init__(self, folder: str | os.PathLike[str] | None, project: Project) -> None:
        self.project = project
        self.work = Work()
        self.plans = Work(keep=8)  # each holds a run: few are kept
        self.many = Work(keep=120)  # what waits for many logs to be read holds up nothing else
        self.library = Library(folder, project, self.work)
        self.library.scan(0)
        self.following = Following(self.library.folder, project)
        self._exports: OrderedDict[str, tuple[str, str]] = OrderedDict()
        self._lock = threading.Lock()
        self._heavy = threading.Lock()
        self._long: OrderedDict[tuple[Hashable, ...], None] = OrderedDict()
        self._drawn: OrderedDict[int, tuple[ref[Summary], dict[str, Any]]] = OrderedDict()

    def run(self, view: View) -> Run:
        """The whole run of a view."""
        if not view.run:
            raise UsageError("choose a run first")
        return self.library.run(view.run)

    def phases(self, view: View) -> tuple[str, ...]:
        """Phases of the run, those that stand for work first; empty where there is but one.

        Loops without a word, as before the program first says its phase, are none to look at.
        """
        return self.phases_of(view.run, self.run(view))

    def phases_of(self, key: str, run: Run) -> tuple[str, ...]:
        """The same of any run that is on offer."""
        found = self.work.get(("phases", key), lambda: phases(run), patience_s=5)
        return tuple(name for name in found if name) if len(found) > 1 else ()

    def phase(self, view: View) -> str | None:
        """The phase that is looked at."""
        found = self.phases(view)
        if not found:
            return None
        return view.phase if view.phase in found else found[0]

    def asked(self, view: View) -> Asked:
        """With what a view asks about its run, once that is cut to the part that is looked at."""
        return Asked(self.project, keep_warmup=view.warmup == "keep")

    def summary(self, view: View) -> tuple[Summary, bool]:
        """The summary of what a view shows, and whether it rests on a sample for now.

        Raises
        ------
        Pending
            While not even a sample is there.
        LooptimeError
            If the run or the part of it is not there.
        """
        key = ("summary", view.run, self.phase(view), view.start, view.end, view.warmup)
        if not self.is_long(view):
            return self.work.get(key, lambda: self._summarise(view), "Working it out", 0.4), False
        self._keep_long(key)
        return self.work.twice(
            key, lambda: self._summarise(view), lambda: self._summarise_few(view), "Working it out"
        )

    def _keep_long(self, key: tuple[Hashable, ...]) -> None:
        """Forget the summary of a long part that was looked at before some others."""
        with self._lock:
            self._long[key] = None
            self._long.move_to_end(key)
            for old in list(self._long)[:-_MOST_LONG]:
                self.work.drop(partial(eq, old))
                if not self.work.has(old):  # one still under way stays until it is done
                    del self._long[old]

    def heavily(self, make: Callable[[], T]) -> T:
        """Do what takes much memory for a while, one such thing at a time."""
        with self._heavy:
            return make()

    def open(self, view: View) -> None:
        """Read a view's log and wait for it."""
        self.library.log(view.run, patience_s=3600)

    def prepare(self, view: View) -> Summary:
        """Read a view's log and work out its summary, however long it takes."""
        self.open(view)
        key = ("summary", view.run, self.phase(view), view.start, view.end, view.warmup)
        return self.work.get(key, lambda: self._summarise(view), patience_s=3600)

    def warmup_loops(self, view: View) -> int:
        """Loops at the start of the part that is looked at that are warm-up, as in its summary."""
        known = self.work.peek(
            ("summary", view.run, self.phase(view), view.start, view.end, view.warmup)
        )
        if known is not None:
            return int(known.warmup.loops)
        key = ("warm-up", view.run, view.start, view.end)
        found: int | None = self.work.peek(key)
        if found is None:
            # whoever asks holds a thread of the pool: no other is waited for
            chosen = part(self.run(view), None, view.start, view.end)
            found = self.heavily(lambda: warmup_loops(chosen))
            self.work.put(key, found)
        return found

    def _summarise(self, view: View) -> Summary:
        whole = self.run(view)
        blocks = self.work.get(("blocks", view.run), lambda: blocks_of(whole), patience_s=600)
        chosen = cut(whole, [range_of(whole, view.start, view.end)], blocks)
        origin = int(whole.loop_columns.start_ns[0])
        asked = self.asked(view).but(phase=self.phase(view))

        def make() -> Summary:
            return summary_of_part(asked, chosen, origin_ns=origin)

        return make() if len(chosen) <= _LONG else _slim(self.heavily(make))

    def few(self, view: View, loops: int) -> Run:
        """About so many loops of the part that is looked at, in stretches; its phase alone.

        It takes as long for a long run as for a short one.
        """
        run = self.run(view)
        blocks = self.work.get(("blocks", view.run), lambda: blocks_of(run), patience_s=5)
        pieces = stretches(*range_of(run, view.start, view.end), loops)
        chosen = cut(run, pieces, blocks)
        phase = self.phase(view)
        return part(chosen, phase) if phase is not None else chosen

    def is_long(self, view: View, most: int | None = None) -> bool:
        """Whether the part that is looked at has more loops than are looked at at once."""
        return self.loops(view) > (_LONG if most is None else most)

    def loops(self, view: View) -> int:
        """Loops of the part that is looked at, its phase apart."""
        first, last = range_of(self.run(view), view.start, view.end)
        return last - first

    def _summarise_few(self, view: View) -> Summary:
        few = self.few(view, _SAMPLE)
        if not len(few):
            raise UsageError("no loop is left: choose another part of the run")
        origin = int(self.run(view).loop_columns.start_ns[0])
        asked = self.asked(view).but(phase=self.phase(view))
        return summary_of_part(asked, few, origin_ns=origin, rhythms=False)

    def place_of_notes(self, view: View) -> tuple[Path, str, int]:
        """Where notes on a view's run are kept: folder, file name of the log, number of the run.

        Raises
        ------
        UsageError
            If the log does not lie in the folder.
        """
        folder = self.library.folder_of(view.run)
        if folder is None:
            raise UsageError("notes are kept beside logs: put this one into the folder first")
        return folder, *self.library.file_of(view.run)

    def notes(self, view: View) -> tuple[tuple[Note, ...], tuple[str, ...]]:
        """The notes on a view's run, and what is wrong with the file that holds them."""
        folder = self.library.folder_of(view.run)
        if folder is None:
            return (), ()
        found = read_notes(folder)
        return found.of(*self.library.file_of(view.run)), found.troubles

    def picture(self, at: Summary, name: str, make: Callable[[], T]) -> T:
        """What is drawn of a summary, once: a page that comes back shows the same again."""
        with self._lock:
            of, mine = self._drawn.get(id(at), (None, {}))
            if of is None or of() is not at:  # a summary that is gone leaves its id to another
                mine = {}
                self._drawn[id(at)] = (ref(at), mine)
            self._drawn.move_to_end(id(at))
            while len(self._drawn) > _MOST_DRAWN:
                self._drawn.popitem(last=False)
        if name not in mine:
            mine[name] = make()
        found: T = mine[name]
        return found

    def keep(self, picture: Picture) -> str:
        """Keep a picture's table for its export; returns the word that names it."""
        return self.keep_table(picture.key, picture.heads, picture.rows)

    def keep_table(self, name: str, heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
        """Keep a table for its export as CSV."""
        token = secrets.token_hex(8)
        with self._lock:
            self._exports[token] = (name, csv_text(heads, rows))
            while len(self._exports) > _MOST_EXPORTS:
                self._exports.popitem(last=False)
        return token

    def export(self, token: str) -> tuple[str, str] | None:
        """Name and CSV text of a kept table."""
        return self._exports.get(token)


def _slim(at: Summary) -> Summary:
    """A long run's summary without the pieces of its calls, which no page looks at again."""
    nothing = SelfPieces(*(np.zeros(0, np.int64) for _ in range(4)))
    return replace(at, basis=replace(at.basis, pieces=nothing, counts=np.zeros(0, bool)))
