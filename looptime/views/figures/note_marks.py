"""The team's notes in figures over the time of a run."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from looptime.notes import Note
from looptime.run import Run
from looptime.units import NS_PER_S
from looptime.views.figures.palette import MARK
from looptime.views.figures.picture import Picture, text_in_plot
from looptime.views.text.terminal import safe

__all__ = ["with_notes"]

_MOST = 20


def with_notes(picture: Picture, notes: Sequence[Note], run: Run, origin_ns: int) -> Picture:
    """A figure with the notes that lie in it: a line at a loop, a shade over a stretch, a number.

    The numbers are explained below the figure; notes on the whole run stand there without one.

    Parameters
    ----------
    picture : Picture
        Its x axis is the time since the run's first loop [s].
    notes : sequence of Note
        About this run.
    run : Run
        The part of the run that is drawn.
    origin_ns : int
        Start of the run's first loop [ns].

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> figure = {"data": [{"x": [0]}], "layout": {}}
    >>> plain = Picture("rate", "Even", figure, "Even.", (), (), "")
    >>> run = Run(LoopColumns(np.arange(3), 10**9 * np.arange(3), np.full(3, 10**9)))
    >>> marked = with_notes(plain, [Note("a.csv", "plug was loose", loop=2)], run, 0)
    >>> marked.notes, marked.figure["layout"]["shapes"][0]["x0"]
    (('Note 1, loop 2: plug was loose',), 2.0)
    """
    if not notes or not picture.figure["data"] or not len(run):
        return picture
    start = (run.loop_columns.start_ns - origin_ns) / NS_PER_S
    ends = float(start[0]), float(start[-1])
    shapes: list[dict[str, Any]] = []
    labels: dict[float, dict[str, Any]] = {}
    told: list[str] = []
    for note in notes:
        at = _place(note, run, start, ends)
        text = safe(note.text, 400)
        if at is None or len(shapes) >= _MOST:
            if note.about == "the run":
                told.append(f"Note on the run: {text}")
            continue
        number = str(len(shapes) + 1)
        shapes.append(_shape(*at))
        _label(labels, number, text, (at[0] + at[1]) / 2)
        told.append(f"Note {number}, {note.about}: {text}")
    layout = picture.figure["layout"]
    drawn = {
        **layout,
        "shapes": [*layout.get("shapes", ()), *shapes],
        "annotations": [*layout.get("annotations", ()), *labels.values()],
    }
    return replace(
        picture, figure={**picture.figure, "layout": drawn}, notes=(*picture.notes, *told),
        alt=" ".join([picture.alt, *(f"{text}." for text in told)]),
    )  # fmt: skip


def _place(
    note: Note, run: Run, start: Any, ends: tuple[float, float]
) -> tuple[float, float] | None:
    """Where a note's mark begins and ends [s]; None where it has none in what is drawn."""
    if note.loop is not None:
        found = np.flatnonzero(run.loop_columns.loop == note.loop)
        return (float(start[found[0]]),) * 2 if len(found) else None
    if note.about == "the run":
        return None
    a = ends[0] if note.from_s is None else note.from_s
    b = ends[1] if note.to_s is None else note.to_s
    return (max(a, ends[0]), min(b, ends[1])) if a <= ends[1] and b >= ends[0] else None


def _shape(a: float, b: float) -> dict[str, Any]:
    across = {"x0": a, "x1": b, "y0": 0, "y1": 1, "yref": "paper"}
    if a == b:
        return {"type": "line", "line": {"color": MARK, "width": 2, "dash": "dot"}, **across}
    return {"type": "rect", "line": {"color": MARK, "width": 1}, "layer": "below",
            "fillcolor": "rgba(147,80,230,0.14)", **across}  # fmt: skip


def _label(labels: dict[float, dict[str, Any]], number: str, text: str, x: float) -> None:
    """Add a number at a place, behind those that stand there already."""
    text = text_in_plot(text)
    if x in labels:
        labels[x]["text"] += f", {number}"
        labels[x]["hovertext"] += f"<br>{text}"
        return
    labels[x] = {"text": number, "x": x, "y": 1, "yref": "paper", "yanchor": "top",
                 "showarrow": False, "bordercolor": MARK, "borderpad": 2, "hovertext": text,
                 "captureevents": True}  # fmt: skip
