"""Notes in a real browser: written to the file beside the log, marked, listed, taken out."""

import csv
import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from looptime_dashboards.app import create_app, desk_of
from looptime_dashboards.view import View

from looptime.errors import UsageError
from looptime.notes import NOTES_FILE, Note, add_note, read_notes
from looptime.samples import folder as samples
from tests.browser.conftest import Watched, key_of, running

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
NAME = "single_reads.csv.gz"
SHAPES = (
    "() => [...document.querySelectorAll('.plot[data-key=rate]')]"  # none while it is worked out
    ".flatMap((place) => JSON.parse(place.dataset.figure).layout.shapes)"
    ".filter((s) => s.yref === 'paper' && s.line.color === '#9350e6').length"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(samples() / NAME, tmp_path)
    os.utime(tmp_path / NAME, (time.time() - 60, time.time() - 60))
    return tmp_path


@pytest.fixture
def base(folder: Path) -> Iterator[str]:
    with running(folder) as address:
        yield address


def test_a_note_is_written_shown_and_taken_out(folder: Path, base: str, watch: Make) -> None:
    """On the loop that is chosen, then on the range; the log's bytes stay as they were."""
    before = (folder / NAME).read_bytes()
    key = key_of(folder / NAME)
    shown = watch(base).open(f"/?run={key}&loop=1500&start=10&end=40", "#notes:not([hidden])")
    shown.wait_for_selector("#note-on-loop:has-text('loop 1500')")
    shown.fill("#note-text", "<img src=x onerror=document.title='taken'> plug was loose")
    shown.press("#note-text", "Enter")
    shown.wait_for_selector(f"#note-said:has-text('Kept in {NOTES_FILE}')")
    shown.fill("#note-text", "=1+1 pushed by hand")
    shown.click("button:has-text('the range 10 to 40 s')")
    shown.wait_for_selector("#note-list >> text=10 to 40 s: =1+1 pushed by hand")
    found = read_notes(folder).notes
    assert [(n.log, n.run, n.about) for n in found] == [
        (NAME, 1, "loop 1500"), (NAME, 1, "10 to 40 s"),
    ]  # fmt: skip
    with (folder / NOTES_FILE).open(encoding="utf-8-sig", newline="") as file:
        assert "'=1+1 pushed by hand" in [cell for row in csv.reader(file) for cell in row]
    shown.wait_for_function(f"{SHAPES} === 2")
    assert "Note 1, 10 to 40 s: =1+1 pushed by hand" in shown.locator("#page").inner_text()
    assert shown.locator("#page img, #notes img, #loop-panel img").count() == 0
    assert "taken" not in shown.title()
    shown.locator("#note-list li >> text=take out").nth(1).click()
    shown.click("#note-drop:has-text('Take out: loop 1500')")
    shown.wait_for_selector("#note-said:has-text('Taken out')")
    shown.wait_for_function(f"{SHAPES} === 1")
    assert [n.about for n in read_notes(folder).notes] == ["10 to 40 s"]
    assert (folder / NAME).read_bytes() == before


def test_notes_are_accessible_and_fit_a_phone(folder: Path, base: str, watch: Make) -> None:
    """No serious violation, nothing wider than the screen; an empty note is refused in words."""
    from axe_playwright_python.sync_playwright import Axe

    add_note(folder, Note(NAME, "w" * 300, loop=7))
    shown = watch(base).open(f"/?run={key_of(folder / NAME)}&loop=7", "#note-list li")
    found = Axe().run(shown, context="#notes").response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
    shown.set_viewport_size({"width": 390, "height": 800})
    shown.wait_for_function("() => document.documentElement.scrollWidth <= 390")
    shown.click("#note-on-run")
    shown.wait_for_selector("#note-said:has-text('a note must say something')")


def test_a_file_that_makes_no_sense_is_told(folder: Path, base: str, watch: Make) -> None:
    """The line and why, beside the form; the page itself is as ever."""
    text = f"log,run,loop,from_s,to_s,note,written\n{NAME},1,x,,,bad,\n"
    (folder / NOTES_FILE).write_text(text, encoding="utf-8")
    shown = watch(base).open(f"/?run={key_of(folder / NAME)}", "#page .card")
    shown.wait_for_selector(f"#note-trouble:has-text('{NOTES_FILE}:2')")
    assert shown.locator("#page .note.error").count() == 0


def test_a_shared_server_takes_no_notes(folder: Path) -> None:
    """The form is not shown, and who sends one all the same writes nothing."""
    add_note(folder, Note(NAME, "kept", loop=7))
    app = create_app(folder, host="0.0.0.0")
    key = key_of(folder / NAME)
    desk_of(app).prepare(View(run=key))
    outputs = ("note-said", "children"), ("note-text", "value"), ("notes-written", "data")
    state = [("note-text", "value"), ("view", "data"), ("loop", "data"), ("notes-written", "data")]
    values = ["spam", ["/", f"?run={key}"], None, None]
    clicks = [("note-text", "n_submit"), ("note-drop", "n_clicks")]
    clicks += [(f"note-on-{about}", "n_clicks") for about in ("run", "range", "loop")]
    body = {
        "output": ".." + "...".join(f"{a}.{b}" for a, b in outputs) + "..",
        "outputs": [{"id": a, "property": b} for a, b in outputs],
        "inputs": [{"id": a, "property": b, "value": 1} for a, b in clicks],
        "state": [{"id": a, "property": b, "value": v}
                  for (a, b), v in zip(state, values, strict=True)],
        "changedPropIds": ["note-on-run.n_clicks"],
    }  # fmt: skip
    answer = app.server.test_client().post(
        "/_dash-update-component", json=body, base_url="http://127.0.0.1"
    )
    assert answer.status_code == 200
    assert "can be read here, not written" in answer.get_data(as_text=True)
    assert [n.text for n in read_notes(folder).notes] == ["kept"]


def test_the_notes_of_a_dropped_log_have_no_place(tmp_path: Path) -> None:
    """It lies in no folder; one line says what to do."""
    desk = desk_of(create_app(tmp_path))
    key = desk.library.drop("a.csv", b"time_us,x\n" + b"".join(b"%d,1\n" % (10_000 * k)
                                                             for k in range(50)))  # fmt: skip
    with pytest.raises(UsageError, match="put this one into the folder"):
        desk.place_of_notes(View(run=key))
    assert desk.notes(View(run=key)) == ((), ())
