"""A client that means harm: malformed requests, many tries at once, text that is markup."""

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from looptime_dashboards import library
from looptime_dashboards.app import create_app
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages import PAGES
from looptime_dashboards.pages.logs_page import body
from looptime_dashboards.safety import TRIES, Gate
from looptime_dashboards.view import View

from looptime import Project
from tests.browser.conftest import Watched, hostile_log, key_of, running, settle

Make = Callable[..., Watched]
UPDATE = "/_dash-update-component"
NAMED = {"id": "loop-panel", "property": "children"}
ASKED = [{"id": one, "property": "data", "value": None} for one in ("loop", "drawn")]
VIEW = [{"id": "view", "property": "data", "value": None}]


@pytest.mark.parametrize(
    ("sent", "code"),
    [
        ([1], 400), ("x", 400), (None, 400), ({}, 400), ({"output": 5, "inputs": 3}, 400),
        ({"output": "nope.children", "outputs": NAMED, "inputs": []}, 404),
        ({"output": "loop-panel.children", "outputs": NAMED, "inputs": []}, 400),
        ({"output": "loop-panel.children", "outputs": NAMED, "inputs": [{"id": "x"}]}, 400),
        ({"output": "loop-panel.children", "outputs": [7], "inputs": ASKED, "state": VIEW}, 400),
        ({"output": "loop-panel.children", "outputs": NAMED, "inputs": ASKED, "state": VIEW,
          "changedPropIds": 3}, 400),
        ({"output": "loop-panel.children", "outputs": NAMED, "inputs": ASKED,
          "state": VIEW, "changedPropIds": ["loop.data"]}, 200),
        ({"output": "loop-panel.children", "outputs": [], "inputs": ASKED, "state": VIEW}, 400),
        ({"output": "loop-panel.children", "outputs": [NAMED], "inputs": ASKED, "state": VIEW},
         400),
        ({"output": "loop-panel.children", "outputs": NAMED | {"id": "other"}, "inputs": ASKED,
          "state": VIEW}, 400),
        ({"output": "loop-panel.children", "outputs": NAMED, "inputs": ASKED,
          "state": [VIEW[0] | {"value": "half a letter \ud83c"}]}, 400),
        # what the browser answers by itself
        ({"output": "copy.content", "outputs": {"id": "copy", "property": "content"},
          "inputs": [{"id": "url", "property": "href", "value": "x"}], "state": []}, 400),
    ],
)  # fmt: skip
def test_malformed_requests_are_answered_as_such(tmp_path: Path, sent: Any, code: int) -> None:
    """What no page sends is 400, an unknown component 404, and what a page sends is answered."""
    client = create_app(tmp_path).server.test_client()
    assert client.post(UPDATE, json=sent).status_code == code


@pytest.mark.parametrize("opening", ["[", '{"output":'])
def test_a_request_nested_without_end_is_malformed(tmp_path: Path, opening: str) -> None:
    """A hundred thousand brackets are no fault of the server's."""
    client = create_app(tmp_path).server.test_client()
    sent = client.post(UPDATE, data=opening * 100_000, content_type="application/json")
    assert sent.status_code == 400


@pytest.mark.parametrize("value", ["x", [1], {"a": 1}, 1e308, True, None, -(2**70)])
def test_values_of_any_kind_are_answered(tmp_path: Path, value: Any) -> None:
    """Each component that a callback of the server takes may hold anything."""
    app = create_app(tmp_path)
    client = app.server.test_client()
    client.get("/_dash-dependencies")
    for output, known in app.callback_map.items():
        if "callback" not in known:
            continue
        made = known["output"] if isinstance(known["output"], list) else [known["output"]]
        outputs = [{"id": o.component_id, "property": o.component_property} for o in made]
        taken = [[{**one, "value": value} for one in known[kind]] for kind in ("inputs", "state")]
        changed = [f"{one['id']}.{one['property']}" for one in known["inputs"][:1]]
        body = {
            "output": output,
            "outputs": outputs if isinstance(known["output"], list) else outputs[0],
            "inputs": taken[0], "state": taken[1], "changedPropIds": changed,
        }  # fmt: skip
        assert client.post(UPDATE, json=body).status_code in {200, 204}, output


@pytest.mark.parametrize("path", ["nope/x.js", "dash/../../etc/passwd", "dash/nope.js"])
def test_an_unknown_file_of_a_library_is_not_found(tmp_path: Path, path: str) -> None:
    """It is neither a fault of the server nor a list of what there is."""
    answer = create_app(tmp_path).server.test_client().get(f"/_dash-component-suites/{path}")
    assert answer.status_code == 404
    assert len(answer.data) < 100


def test_many_tries_at_once_are_no_more_than_in_a_row(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of forty tries that all begin before the first is looked at, five are compared."""
    gate, compared = Gate("open sesame"), []
    start = threading.Barrier(40)
    digest = Gate._digest

    def slow(self: Gate, text: str) -> bytes:
        if text != "open sesame":
            compared.append(text)
            time.sleep(0.05)
        return digest(self, text)

    monkeypatch.setattr(Gate, "_digest", slow)

    def attempt(k: int) -> None:
        start.wait()
        gate.opens("10.0.0.9", f"guess {k}", now=100.0)

    threads = [threading.Thread(target=attempt, args=(k,)) for k in range(40)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert len(compared) == TRIES
    assert not gate.opens("10.0.0.9", "open sesame", now=101.0)
    assert gate.opens("10.0.0.9", "open sesame", now=200.0)


def test_of_too_many_logs_the_newest_are_offered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three of five, by when they were written and not by name; the page says what is left out."""
    monkeypatch.setattr(library, "_MOST_LOGS", 3)
    for age, name in enumerate(["c", "e", "a", "d", "b"]):
        path = tmp_path / f"{name}.csv"
        path.write_text(f"loop,name,start_ms,duration_ms\n{age},x,0,1\n", encoding="utf-8")
        os.utime(path, (time.time() - 60 - age, time.time() - 60 - age))
    desk = Desk(tmp_path, Project())
    assert [o.name for o in desk.library.offered()] == ["c.csv", "e.csv", "a.csv"]
    parts, _ = body(desk, View())
    assert "the newest: 2 older are left out" in parts[0].children


EVIL = "<img src=x onerror=document.title='taken'>"
PROJECT = f"""
[robot]
name = "{EVIL}"
[[call]]
match = "*"
kind = "sensor read"
subsystem = "{EVIL}s"
device = "{EVIL}d"
bus = "{EVIL}b"
items = 1
batchable = true
[bus."{EVIL}b"]
base_ms = 0.5
per_item_ms = 0.1
[limits]
period_p99_ms = 20
call."{EVIL}".p99_ms = 3
"""


@pytest.mark.browser
def test_text_of_logs_project_and_season_stays_text(watch: Make, tmp_path: Path) -> None:
    """Names of calls, phases, devices, robots and files, and notes, do nothing on any page."""
    from looptime.checks.season.season import Season
    from looptime.notes import Note, add_note
    from looptime.questions.asked import Asked
    from looptime.questions.judging import add_to_season

    (tmp_path / "looptime.toml").write_text(PROJECT, encoding="utf-8")
    project = Project.load(tmp_path / "looptime.toml")
    evil = f"# robot: {EVIL}\n# code_version: {EVIL}\n# label: {EVIL}\n"
    logs = tmp_path / "logs"
    logs.mkdir()
    names = ["<b onclick=x>.csv", "other.csv"]
    for k, name in enumerate(names):
        comment, head, *rows = hostile_log(150 + k).splitlines()
        table = [f"{head},phase", *(f"{row},{EVIL}" for row in rows), ""]
        (logs / name).write_text(evil + "\n".join([comment, *table]), encoding="utf-8")
        add_note(logs, Note(name, EVIL, loop=29))
        os.utime(logs / name, (time.time() - 60, time.time() - 60))
    season = tmp_path / "logs" / "season"
    Season(season, create=True)
    asked = Asked(project, season=str(season))
    add_to_season(asked, [str(logs / n) for n in names], labels={"version": EVIL, "label": EVIL})
    keys = [key_of(logs / name) for name in names]
    with running(logs, project=project) as base:
        watched = watch(base)
        search = f"?run={keys[0]}&before={keys[1]}&loop=29&call={EVIL}&change={EVIL}"
        paths = [page.path + search for page in PAGES]
        for path in (*paths, "/runs", f"/runs?query=label={EVIL}"):
            shown = watched.open(path, "#page > *")
            settle(shown)
            assert "taken" not in shown.title()
            assert shown.locator("#page img, #loop-panel img, #news img, #page b").count() == 0
            assert shown.locator("header img, #run-select b").count() == 0
        shown.goto("about:blank")
