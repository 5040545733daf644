"""The season's folder keeps every entry whatever happens around it."""

import errno
import json
import multiprocessing
import os
import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, content_hash, record
from looptime.checks.season import entries as entries_module
from looptime.checks.season import season as season_module
from looptime.checks.season.adding import add_runs, add_season
from looptime.checks.season.entries import DamagedError, Entry, from_bytes, to_bytes
from looptime.checks.season.season import Season, SeasonError
from looptime.checks.season.workers import entries_of
from looptime.errors import UsageError
from tests.checks.build import recording


@pytest.fixture
def season(tmp_path):
    return Season(tmp_path / "season", create=True)


def _names(season):
    return [e.name for e in season.entries()]


def test_an_entry_comes_back_as_it_was(season):
    """Every figure, label and histogram survives storage; the bytes are the same every time."""
    run = recording(1, robot="tray-carrier", code_version="1.4", time="2026-03-01T10:00")
    values = measure(record(run, Settings(budget_ms=9.0)).series())
    entry = Entry(content_hash(run), values, "ab", "phase=x", 2)
    season.put(entry.name, to_bytes(entry))
    back = season.load(entry.name)
    assert back == entry
    assert to_bytes(back) == to_bytes(entry) == season.path_of(entry.name).read_bytes()
    assert back.facts.robot == "tray-carrier"
    assert back.facts.budget_ms == 9.0


def test_the_same_recording_is_one_entry_under_any_label(season):
    """The name is the hash of the content: labels and source make no difference."""
    added = add_runs(season, [recording(1), recording(1, label="again", source="copy.csv")])
    assert (len(added.new), len(added.known)) == (1, 1)
    assert len(season.entries()) == 1
    assert content_hash(recording(1)) != content_hash(recording(2))


def test_nothing_from_a_log_becomes_a_file_name(season):
    """Names in the folder are hexadecimal whatever the log says of itself."""
    add_runs(season, [recording(1, robot="../../etc", label="a/b\0c", source="../x.csv")])
    files = [p for p in (season.folder / "entries").rglob("*") if p.is_file()]
    assert [len(p.stem) for p in files] == [64]
    assert set(files[0].stem) <= set("0123456789abcdef")
    assert season.entries()[0].facts.robot == "../../etc"


def test_other_tools_can_read_it(season):
    """The entries are a partitioned Parquet data set with plain columns."""
    add_runs(season, [recording(s, robot="tray-carrier") for s in (1, 2)])
    table = ds.dataset(season.folder / "entries", partitioning="hive").to_table()
    assert table.num_rows == 2
    assert table["robot"].to_pylist() == ["tray-carrier"] * 2
    assert {v["statistic"] for v in table["values"].to_pylist()[0]} >= {"mean", "p99", "rate"}


def test_every_column_is_documented(season):
    """The documented columns are those of the files, in their order."""
    add_runs(season, [recording(1)])
    [path] = (season.folder / "entries").rglob("*.parquet")
    assert list(entries_module.COLUMNS) == pq.read_schema(path).names
    assert all(entries_module.COLUMNS.values())


def test_damage_is_reported_and_loses_nothing_else(season):
    """A flipped byte, a cut file and a foreign file are named; the other entries are read."""
    add_runs(season, [recording(s) for s in range(4)])
    names = sorted(p.stem for p in (season.folder / "entries").rglob("*.parquet"))
    flipped, cut, swapped = (season.path_of(name) for name in names[:3])
    data = bytearray(flipped.read_bytes())
    data[len(data) // 3] ^= 0xFF
    flipped.write_bytes(data)
    cut.write_bytes(cut.read_bytes()[:100])
    swapped.write_bytes(season.path_of(names[3]).read_bytes())
    assert _names(season) == [names[3]]
    assert set(season.damaged) == set(names[:3])
    assert "add its log again, or drop it" in season.damaged[names[1]]
    with pytest.raises(DamagedError):
        season.load(names[0])


def test_adding_a_log_again_mends_its_damaged_entry(season):
    """A damaged entry does not count as being there."""
    add_runs(season, [recording(1)])
    [name] = _names(season)
    season.path_of(name).write_bytes(b"PAR1 nothing")
    assert season.entries() == []
    assert add_runs(season, [recording(1)]).new == [name]
    assert _names(season) == [name]


def test_a_damaged_index_is_only_a_copy(season):
    """Whatever stands in the index, the list is that of the entries."""
    add_runs(season, [recording(s) for s in (1, 2)])
    whole = season.entries()
    for text in ("", "{", "[]", '{"index_version": 1, "entries": {"a": {"facts": 3}}}'):
        (season.folder / "index.json").write_text(text, encoding="utf-8")
        assert season.entries() == whole
    index = json.loads((season.folder / "index.json").read_text(encoding="utf-8"))
    assert len(index["entries"]) == 2


def test_only_adding_begins_an_index(season):
    """Looking at a season that came without one leaves no file there; a stale one is renewed."""
    add_runs(season, [recording(1)])
    season.entries()
    (season.folder / "index.json").unlink()
    before = sorted(season.folder.rglob("*"))
    assert len(season.entries()) == 1
    assert sorted(season.folder.rglob("*")) == before
    add_runs(season, [recording(2)])
    assert len(season.entries()) == 2
    index = json.loads((season.folder / "index.json").read_text(encoding="utf-8"))
    assert set(index["entries"]) == set(_names(season))


def test_a_crash_in_mid_write_leaves_only_a_partial_file(season):
    """A half-written file is no entry, and is removed once it is old."""
    add_runs(season, [recording(1)])
    left = season.folder / "partial" / "1-dead"
    left.write_bytes(b"PAR1 half")
    assert len(season.entries()) == 1
    assert season.clean() == 0
    old = time.time() - 7200
    os.utime(left, (old, old))
    assert season.clean() == 1
    assert not left.exists()


def test_a_full_disk_is_one_line(season, monkeypatch):
    """What was there stays; the message says what to do; no partial file is left."""
    add_runs(season, [recording(1)])

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(SeasonError, match=r"No space left on device.*add again"):
        add_runs(season, [recording(2)])
    monkeypatch.undo()
    assert len(season.entries()) == 1
    assert list((season.folder / "partial").iterdir()) == []


def _add_many(folder, seeds):
    season = Season(folder, create=True)
    for seed in seeds:
        add_runs(season, [recording(seed, loops=400)])
        season.entries()


def test_a_season_that_another_process_is_making_is_taken_for_one(tmp_path, monkeypatch):
    """Its folder is there and still empty at one look, and holds its parts at the next."""
    folder = tmp_path / "season"
    folder.mkdir()
    look = Path.is_dir

    def made_meanwhile(path):
        seen = look(path)
        if not (made := folder / "entries").exists() and path in (folder, made):
            os.mkdir(made)
        return seen

    monkeypatch.setattr(Path, "is_dir", made_meanwhile)
    assert Season(folder, create=True).damaged == {}
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "bench.png").write_bytes(b"x")
    with pytest.raises(SeasonError, match="holds other things"):
        Season(tmp_path / "photos", create=True)


def test_two_processes_at_once_lose_nothing(tmp_path):
    """Two processes that add overlapping sets at the same time end with all of them, once."""
    context = multiprocessing.get_context("spawn")
    sets = [range(8), range(4, 12)]
    folder = tmp_path / "season"
    workers = [context.Process(target=_add_many, args=(folder, s)) for s in sets]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
        assert worker.exitcode == 0
    season = Season(folder)
    expected = {content_hash(recording(s, loops=400)) for s in range(12)}
    assert set(_names(season)) == expected
    assert season.damaged == {}


def test_order_query_and_last(season):
    """Entries stand in the order of their recording and queries pick from them."""
    runs = [
        recording(s, robot=r, code_version=v, time=t, label=f"run {s}")
        for s, r, v, t in [
            (1, "tray-carrier", "1.0", "2026-03-03"),
            (2, "tray-carrier", "1.1", "2026-03-01"),
            (3, "spare", "1.1", "2026-03-02T12:00:00+01:00"),
        ]
    ]
    add_runs(season, runs)

    def labels(query):
        return [e.facts.label for e in season.select(query)]

    assert labels("version=1.*") == ["run 2", "run 3", "run 1"]
    assert labels("robot=tray-carrier last=1") == ["run 1"]
    assert labels("since=2026-03-02") == ["run 3", "run 1"]
    assert labels("since=2026-03-02 until=2026-03-02") == ["run 3"]
    assert labels('label="run 2"') == ["run 2"]
    assert labels(_names(season)[1][:8]) == ["run 3"]
    with pytest.raises(UsageError, match="no entry matches"):
        season.select("robot=nobody")


def test_baseline_marks_and_drop(season):
    """Marks are set and taken away one by one; a dropped entry takes its mark with it."""
    add_runs(season, [recording(s) for s in (1, 2, 3)])
    names = _names(season)
    season.mark_baseline(names[:2])
    assert {e.name for e in season.select("baseline=yes")} == set(names[:2])
    season.mark_baseline(names[:1], on=False)
    assert season.drop([names[1]]) == 1
    assert season.drop([names[1]]) == 0
    assert [e.baseline for e in season.entries()] == [False, False]


def test_a_read_only_season_with_an_old_index_is_read(season, monkeypatch):
    """Where nothing can be written the list is that of the entries; a change is refused."""
    add_runs(season, [recording(s) for s in (1, 2)])
    whole = season.entries()
    (season.folder / "index.json").write_text("{}", encoding="utf-8")
    (season.folder / "partial").rmdir()

    def refuse(*_, **__):
        raise OSError(errno.EROFS, "Read-only file system")

    for change in ("mkdir", "unlink", "touch"):
        monkeypatch.setattr(Path, change, refuse)
    monkeypatch.setattr(os, "replace", refuse)
    assert season.entries() == whole
    for change in (
        lambda: season.drop([whole[0].name]),
        lambda: season.mark_baseline([whole[0].name]),
        lambda: add_runs(season, [recording(3)]),
    ):
        with pytest.raises(SeasonError, match="Read-only file system"):
            change()
    season.mark_baseline([whole[0].name], on=False)  # it has no mark: nothing is to be done
    assert season.entries() == whole


def test_a_drop_without_rights_takes_nothing_away(season, monkeypatch):
    """It is refused in a line, and the entry keeps its baseline mark."""
    add_runs(season, [recording(1)])
    season.mark_baseline(_names(season))

    def refuse(*_, **__):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(SeasonError, match="cannot be removed: Permission denied: mend the rights"):
        season.drop(_names(season))
    assert [e.baseline for e in season.entries()] == [True]


def test_a_season_without_the_right_to_read_is_said_so(season, monkeypatch):
    """It is not taken for damaged, nor for empty."""

    def refuse(*_, **__):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "scandir", refuse)
    with pytest.raises(SeasonError, match="cannot be read: Permission denied"):
        season.entries()
    monkeypatch.setattr(season_module, "open_plain", refuse)
    with pytest.raises(SeasonError, match="cannot be read: Permission denied"):
        Season(season.folder)


@pytest.mark.parametrize("moment", ["listed", "measured", "read"])
def test_listing_while_another_process_drops(moment, season, monkeypatch):
    """An entry that goes between any two steps of a list is not in it, and is not damaged."""
    add_runs(season, [recording(s) for s in (1, 2, 3)])
    first, *rest = _names(season)
    (season.folder / "index.json").unlink()
    files, load = Season._files, Season.load

    def listed(self):
        found = files(self)
        if moment == "listed":
            shutil.rmtree(self.path_of(first).parent)
        elif moment == "measured":
            found[first].stat()
            self.drop([first])
        return found

    def read(self, name, histograms=True):
        if moment == "read":
            self.drop([first])
        return load(self, name, histograms)

    monkeypatch.setattr(Season, "_files", listed)
    monkeypatch.setattr(Season, "load", read)
    assert [e.name for e in season.entries()] == rest
    assert season.damaged == {}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
def test_a_pipe_in_a_season_is_not_waited_for(season):
    """In place of the index it is passed over, in place of an entry or the mark it is said."""
    add_runs(season, [recording(1)])
    whole = season.entries()
    entry = season.path_of("0" * 64)
    entry.parent.mkdir()
    (season.folder / "index.json").unlink()
    os.mkfifo(season.folder / "index.json")
    os.mkfifo(entry)
    assert season.entries() == whole
    assert "it is a pipe, a socket or a device" in season.damaged[entry.stem]
    (season.folder / "season.json").unlink()
    os.mkfifo(season.folder / "season.json")
    with pytest.raises(SeasonError, match="it is a pipe, a socket or a device"):
        Season(season.folder)


def test_a_season_that_cannot_be_made_is_said_so(tmp_path):
    """A folder below a file is no place for it."""
    (tmp_path / "file").touch()
    with pytest.raises(SeasonError, match="cannot be made"):
        Season(tmp_path / "file" / "season", create=True)


def test_words_name_entries(season):
    """Beginnings of names, also of damaged entries, and queries; nothing is guessed."""
    add_runs(season, [recording(s, label=f"run {s}") for s in (1, 2)])
    one, two = _names(season)
    season.path_of(one).write_bytes(b"")
    assert season.names([one[:8], two]) == [one, two]
    assert season.names(["label=run*"]) == [two]
    assert season.drop(season.names([one[:6]])) == 1
    for word in ("xyz", ""):
        with pytest.raises(UsageError, match="looptime season list"):
            season.names([word])


def test_a_logs_name_stands_for_its_runs_where_one_log_has_it(season):
    """Two runs of monday.csv are meant by its name; a name of two logs means neither."""
    logs = {"a/monday.csv": (1, 2), "a/run.csv": (3,), "b/run.csv": (4,)}
    for source, seeds in logs.items():
        runs = [replace(recording(seed), source=source) for seed in seeds]
        for name, data in entries_of(runs, Settings(), source, "")[0]:
            season.put(name, data)
    mine = {at.name for at in season.entries() if at.facts.source == "a/monday.csv"}
    assert set(season.names(["monday.csv"])) == set(season.names(["a/monday.csv"])) == mine
    with pytest.raises(UsageError, match="2 entries are of logs called"):
        season.names(["run.csv"])
    (other,) = season.names(["b/run.csv"])  # its folder tells which
    assert next(at for at in season.entries() if at.name == other).facts.source == "b/run.csv"
    with pytest.raises(UsageError, match="no entry begins"):
        season.names(["tuesday.csv"])


def test_a_robot_named_in_the_log_stays(season):
    """The option fills in what the log leaves out; other labels stand in for the log's."""
    runs = [recording(1, robot="spare", label="old"), recording(2)]
    add_runs(season, runs, Settings(robot="tray-carrier", label="new"))
    assert {e.facts.robot for e in season.entries()} == {"spare", "tray-carrier"}
    assert {e.facts.label for e in season.entries()} == {"new"}


def test_another_season_is_added_entry_by_entry(season, tmp_path):
    """Merging seasons copies files to the byte and counts nothing twice."""
    other = Season(tmp_path / "other", create=True)
    add_runs(other, [recording(s) for s in (1, 2)])
    other.mark_baseline(_names(other)[:1])
    add_runs(season, [recording(s) for s in (2, 3)])
    added = add_season(season, other)
    assert (len(added.new), len(added.known)) == (1, 1)
    for entry in other.entries():
        assert season.path_of(entry.name).read_bytes() == other.path_of(entry.name).read_bytes()
    assert sum(e.baseline for e in season.entries()) == 1


def test_versions(season, monkeypatch):
    """An older file is migrated when it is read; a newer one is refused with what to do."""
    run = recording(1)
    data = to_bytes(Entry(content_hash(run), measure(record(run).series())))
    assert from_bytes(data).facts.label is None

    def to_next(row):
        return {**row, "label": row["label"] or "before labels"}

    monkeypatch.setattr(entries_module, "ENTRY_VERSION", 2)
    monkeypatch.setattr(entries_module, "MIGRATIONS", {1: to_next})
    assert from_bytes(data).facts.label == "before labels"
    newer = to_bytes(from_bytes(data))
    monkeypatch.undo()
    with pytest.raises(DamagedError, match=r"version 2.*update"):
        from_bytes(newer)


def test_folders_that_are_no_season(tmp_path):
    """A missing, a foreign and a newer folder are refused in one line."""
    with pytest.raises(SeasonError, match="season add"):
        Season(tmp_path / "none")
    (tmp_path / "thing.txt").write_text("x", encoding="utf-8")
    with pytest.raises(SeasonError, match="other things"):
        Season(tmp_path, create=True)
    newer = Season(tmp_path / "newer", create=True)
    mark = newer.folder / "season.json"
    mark.write_text('{"looptime_season": 99}', encoding="utf-8")
    with pytest.raises(SeasonError, match="update looptime"):
        Season(newer.folder)
    mark.write_text("garbage", encoding="utf-8")
    with pytest.raises(SeasonError, match="damaged"):
        Season(newer.folder)


def test_stored_histograms_merge_to_the_whole(season):
    """The histograms of a season's entries merge to that of all periods, to the count."""
    runs = [recording(s) for s in (1, 2, 3)]
    add_runs(season, runs)
    merged = None
    for name in _names(season):
        found = season.load(name).values.histograms["period", "", ""]
        merged = found if merged is None else merged + found
    periods = np.concatenate([record(r).series().period_ns for r in runs])
    exact = np.sort(periods)[int(np.ceil(0.99 * len(periods))) - 1]
    assert merged.count == len(periods)
    assert merged.total_ns == periods.sum()
    assert abs(merged.quantile_ns(0.99) / exact - 1) <= 0.01
