"""Notes beside the logs: written and read again, by hand, hostile, damaged, and never lost."""

import csv
from pathlib import Path

import pytest

from looptime.errors import UsageError
from looptime.notes import (
    LONGEST_NOTE,
    NOTES_FILE,
    Note,
    Notes,
    add_note,
    drop_note,
    notes_of,
    read_notes,
)
from looptime.questions.doors import find_logs

HOSTILE = (
    "=HYPERLINK(1)", "+1", "-1", "@x", "|y", "'=x", "'quoted'", "a,b;c\td", 'say "no"',
    "</script><b>x</b>", "line one\nline two", "\u00fcber \u2014 gr\u00fcn",
)  # fmt: skip


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    """Every text comes back as it was, in one line; the file beside the logs holds all of it."""
    for k, text in enumerate(HOSTILE):
        add_note(tmp_path, Note("run.csv", text, loop=k))
    found = notes_of(tmp_path / "run.csv")
    assert [n.text for n in found] == [" ".join(t.split()) for t in HOSTILE]
    assert [n.about for n in found] == [f"loop {k}" for k in range(len(HOSTILE))]
    assert [path.name for path in tmp_path.iterdir()] == [NOTES_FILE]


def test_no_cell_is_a_formula(tmp_path: Path) -> None:
    """Whatever is noted, no cell of the file begins as a formula does."""
    for text in HOSTILE:
        add_note(tmp_path, Note("-run.csv", text))
    with (tmp_path / NOTES_FILE).open(encoding="utf-8-sig", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row if not cell.isdigit()]
    assert not [cell for cell in cells if cell[:1] in set("=+-@|%")]
    assert len(notes_of(tmp_path / "-run.csv")) == len(HOSTILE)


def test_notes_belong_to_their_run_in_order(tmp_path: Path) -> None:
    """The run's come first, then stretches by their start; other runs and logs have their own."""
    add_note(tmp_path, Note("a.csv", "late", from_s=9.5, to_s=10.25))
    add_note(tmp_path, Note("a.csv", "early", to_s=2.0))
    add_note(tmp_path, Note("a.csv", "whole"))
    add_note(tmp_path, Note("a.csv", "second", run=2))
    add_note(tmp_path, Note("b.csv", "other"))
    assert [n.text for n in notes_of(tmp_path / "a.csv")] == ["whole", "early", "late"]
    assert [n.about for n in notes_of(tmp_path / "a.csv")] == [
        "the run", "the start to 2 s", "9.5 to 10.25 s",
    ]  # fmt: skip
    assert [n.text for n in notes_of(tmp_path / "a.csv", 2)] == ["second"]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_files_edited_by_hand(mark: str, encoding: str, tmp_path: Path) -> None:
    """Any common delimiter and encoding, columns in any order, a decimal comma, empty cells."""
    lines = (("note", "log", "to_s", "from_s"), ("gr\u00fcn", "a.csv", '"2,5"', "1"))
    text = "".join(mark.join(line) + "\r\n" for line in lines)
    (tmp_path / NOTES_FILE).write_bytes(text.encode(encoding))
    assert read_notes(tmp_path).notes == (Note("a.csv", "gr\u00fcn", from_s=1.0, to_s=2.5),)


def test_a_line_that_makes_no_sense_is_told_and_never_lost(tmp_path: Path) -> None:
    """Its number and why; the others are read; nothing is written as long as it stands there."""
    text = (
        "log,run,loop,from_s,to_s,note,written\na.csv,1,,,,good,\na.csv,1,seven,,,bad,\n"
        "a.csv,0,,,,bad,\na.csv,1,,3,2,bad,\n,1,,,,bad,\na.csv,1,,nan,,bad,\na.csv,1,,,,,\n"
    )
    (tmp_path / NOTES_FILE).write_text(text, encoding="utf-8")
    found = read_notes(tmp_path)
    assert [n.text for n in found.notes] == ["good"]
    assert [t.split(":")[1] for t in found.troubles] == ["3", "4", "5", "6", "7", "8"]
    with pytest.raises(UsageError, match=f"{NOTES_FILE}:3: loop 'seven' is no number of a loop"):
        add_note(tmp_path, Note("a.csv", "more"))
    with pytest.raises(UsageError, match="mend it first"):
        drop_note(tmp_path, found.notes[0])
    assert (tmp_path / NOTES_FILE).read_text(encoding="utf-8") == text


def test_no_file_no_notes_and_a_strange_one_is_told(tmp_path: Path) -> None:
    """An empty file holds none; a file of something else, or none that can be read, says so."""
    assert read_notes(tmp_path / "nowhere") == read_notes(tmp_path) == Notes()
    (tmp_path / NOTES_FILE).write_text("", encoding="utf-8")
    assert read_notes(tmp_path).troubles == ()
    (tmp_path / NOTES_FILE).write_text("loop,period_ms\n1,20\n", encoding="utf-8")
    assert "names no column log and note" in read_notes(tmp_path).troubles[0]
    (tmp_path / NOTES_FILE).unlink()
    (tmp_path / NOTES_FILE).mkdir()
    assert "cannot be read" in read_notes(tmp_path).troubles[0]


def test_a_note_says_something_and_not_too_much(tmp_path: Path) -> None:
    """Blanks alone and a whole page are refused, and nothing is written."""
    for text in (" \n\t", "x" * (LONGEST_NOTE + 1)):
        with pytest.raises(UsageError):
            add_note(tmp_path, Note("a.csv", text))
    assert not list(tmp_path.iterdir())


def test_a_note_is_taken_out(tmp_path: Path) -> None:
    """That one and no other; taking it out again is no error."""
    made = [add_note(tmp_path, Note("a.csv", text)) for text in ("one", "two")]
    drop_note(tmp_path, made[0])
    drop_note(tmp_path, made[0])
    assert [n.text for n in read_notes(tmp_path).notes] == ["two"]


def test_notes_are_no_log(tmp_path: Path) -> None:
    """Where logs are looked for, the file of notes is passed over."""
    (tmp_path / "run.csv").write_text("loop,period_ms\n", encoding="utf-8")
    add_note(tmp_path, Note("run.csv", "plug was loose"))
    assert [Path(p).name for p in find_logs(tmp_path)] == ["run.csv"]


def test_a_note_has_at_most_400_characters(tmp_path: Path) -> None:
    """The guide's limit, at its edge."""
    kept = add_note(tmp_path, Note("a.csv", "x" * 400))
    assert len(kept.text) == 400
    with pytest.raises(UsageError, match="400"):
        add_note(tmp_path, Note("a.csv", "x" * 401))
