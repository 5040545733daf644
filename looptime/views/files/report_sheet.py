"""The figures of a report: their data for the script, and what frames them on the page."""

from collections.abc import Sequence
from dataclasses import field
from typing import Any

from looptime.records import dataclass
from looptime.views.figures.picture import Picture
from looptime.views.files.html import Markup, csv_text, element, picture_table, table, together
from looptime.words import count

__all__ = ["PAPER_FEW", "PAPER_ROWS", "Sheet", "short_table"]

#: Rows of a table, and of one that is looked at less, that `report.css` leaves on paper.
PAPER_ROWS, PAPER_FEW = 30, 10

_NAMES = {
    "periods": "Histogram of periods", "rate": "Periods along the run",
    "recurrence": "Stalls that come back", "costs-call": "Time by call",
    "costs-kind": "Time by kind of call", "waiting": "Waiting and service",
    "move": "A move of a controller", "wheels": "Steered wheels", "both": "Several logs",
    "excess": "Slow loops against typical ones", "loop": "One loop beside a typical one",
    "age": "Age of the heading", "curve": "Heading at other loop rates",
    "sideways": "Way sideways at other loop rates", "difference": "Difference by call",
}  # fmt: skip
# the figure of kinds, which stands beside these on paper, names their colours
_KEYED = ("costs-call", "excess", "recurrence")
# rows up to which a table is kept on one page
_WHOLE = 14
_INTERVALS = (
    "Quantiles are elements that occur: number ceil(p n) of the sorted values. Intervals are "
    "95 %, by leaving out batches of consecutive loops in turn, so that loops that depend on "
    "each other do not make them too narrow."
)


@dataclass
class Sheet:
    """What gathers while a report is written."""

    #: Data and layout of each figure by its id, as the script reads them
    figures: dict[str, dict[str, Any]] = field(default_factory=dict)
    hows: dict[str, str] = field(default_factory=dict)  #: How each kind of figure was computed

    def rows(self, place: str, pictures: Sequence[Picture | None]) -> Markup:
        """Figures two and two beside each other on paper; the last one of an odd count alone."""
        shown = [picture for picture in pictures if picture is not None]
        pairs = [shown[k : k + 2] for k in range(0, len(shown), 2)]
        return together(
            *(
                element("div", *(self.figure(place, one) for one in pair), class_="pair")
                if len(pair) == 2
                else self.figure(place, *pair)
                for pair in pairs
            )
        )

    def figure(self, place: str, picture: Picture) -> Markup:
        """One figure with its title, its table, and buttons that save it."""
        self.hows.setdefault(picture.key, picture.how)
        name = f"{place}-{picture.key}"
        while name in self.figures:
            name += "-more"
        self.figures[name] = {
            **picture.figure, "title": picture.title, "keyed": picture.key in _KEYED,
            "csv": csv_text(picture.heads, picture.rows),
        }  # fmt: skip
        return element(
            "figure",
            element("h3", picture.title),
            element("div", class_="plot", id=name, role="img", aria_label=picture.alt),
            element("button", "CSV", type="button", data_csv=name),
            element("button", "PNG", type="button", data_png=name),
            element("details", element("summary", "As a table"), picture_table(picture)),
        )

    def computed(self) -> Markup:
        """How each figure was computed, what is told of several of them once."""
        by_how: dict[str, list[str]] = {_INTERVALS: ["Quantiles and intervals"]}
        for key, how in self.hows.items():
            if how:
                by_how.setdefault(how, []).append(_NAMES.get(key, key))
        made = (
            element("p", element("strong", f"{', '.join(names)}."), " ", how)
            for how, names in by_how.items()
        )
        return together(
            element("h2", "How each figure was computed"),
            element("div", *made, class_="small computed"),
        )


def short_table(
    heads: Sequence[str],
    rows: Sequence[Sequence[object]],
    caption: str = "",
    paper: int = PAPER_ROWS,
) -> Markup:
    """A table without the columns in which nothing is said; on paper its first rows alone.

    Parameters
    ----------
    heads, rows, caption
        As for `looptime.views.files.html.table`.
    paper : int
        `PAPER_ROWS` or `PAPER_FEW`: rows that are printed.
    """
    said = [k for k in range(len(heads)) if any(row[k] not in (None, "", "-") for row in rows)]
    kept = "few" if paper == PAPER_FEW else "many"
    whole = " whole" if min(len(rows), paper) <= _WHOLE else ""
    made = table([heads[k] for k in said], [[row[k] for k in said] for row in rows], caption,
                 class_=kept + whole)  # fmt: skip
    left = len(rows) - paper
    if left <= 0:
        return made
    rest = f"{count(left, 'more row')} in the file that this is printed from."
    return together(made, element("p", rest, class_="paper faint"))
