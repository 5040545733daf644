"""Notes in figures: where they stand, what is cut off, and that hostile text stays text."""

from looptime.notes import Note
from looptime.views.figures.note_marks import with_notes
from looptime.views.figures.picture import Picture
from tests.build_run import make_run

RUN = make_run([1000.0] * 10)  # loop k begins at k seconds
PLAIN = Picture("rate", "Even", {"data": [{}], "layout": {"shapes": [{"x0": 9}]}}, "Even.", (), (),
                "", ("First.",))  # fmt: skip


def places(*notes: Note, origin_ns: int = 0) -> list[tuple[float, float]]:
    picture = with_notes(PLAIN, notes, RUN, origin_ns)
    return [(s["x0"], s["x1"]) for s in picture.figure["layout"]["shapes"][1:]]


def test_marks_stand_where_the_notes_are_about() -> None:
    """A loop at its start, a stretch cut to what is drawn, counted from the run's first loop."""
    assert places(Note("a", "x", loop=3)) == [(3, 3)]
    assert places(Note("a", "x", from_s=2.5, to_s=4), Note("a", "x", to_s=1)) == [(2.5, 4), (0, 1)]
    assert places(Note("a", "x", from_s=7)) == [(7, 9)]
    assert places(Note("a", "x", from_s=-2, to_s=50)) == [(0, 9)]
    start_ns = int(RUN.loop_columns.start_ns[0])
    assert places(Note("a", "x", loop=3), origin_ns=start_ns - 5 * 10**9) == [(8, 8)]


def test_what_is_not_drawn_has_no_mark() -> None:
    """Another part's loop and stretch are left out; a note on the run stands below."""
    notes = (Note("a", "x", loop=99), Note("a", "x", from_s=20, to_s=30), Note("a", "whole"))
    picture = with_notes(PLAIN, notes, RUN, 0)
    assert picture.notes == ("First.", "Note on the run: whole")
    assert len(picture.figure["layout"]["shapes"]) == 1


def test_text_of_notes_stays_text() -> None:
    """No tag reaches the drawing, and what was drawn before is left as it was."""
    evil = "<b>x</b>\u202e"
    picture = with_notes(PLAIN, [Note("a", evil, loop=1)], RUN, 0)
    assert "<b>" not in str(picture.figure)
    assert picture.notes[1] == "Note 1, loop 1: <b>x</b>?"
    assert picture.alt == "Even. Note 1, loop 1: <b>x</b>?."
    assert PLAIN.figure["layout"] == {"shapes": [{"x0": 9}]}
    assert with_notes(PLAIN, [], RUN, 0) is PLAIN


def test_notes_at_one_place_share_a_label() -> None:
    """Three on one loop and one elsewhere: two labels that name them all."""
    notes = [Note("a", f"{k}", loop=4) for k in range(3)] + [Note("a", "x", loop=6)]
    drawn = with_notes(PLAIN, notes, RUN, 0).figure["layout"]["annotations"]
    assert [(a["x"], a["text"], a["hovertext"]) for a in drawn] == [
        (4, "1, 2, 3", "0<br>1<br>2"), (6, "4", "x"),
    ]  # fmt: skip


def test_so_many_marks_and_no_more() -> None:
    """A figure with a hundred notes stays readable: twenty are marked."""
    assert len(places(*(Note("a", f"{k}", loop=k % 10) for k in range(100)))) == 20
