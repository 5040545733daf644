"""Logs that are named by an address and reached through fsspec."""

import uuid

import pytest

import looptime
from looptime.checks.recording.recording import Settings
from looptime.checks.season.adding import add_logs
from looptime.checks.season.season import Season
from looptime.checks.season.workers import Job
from looptime.errors import LogError
from looptime.questions import Asked

fsspec = pytest.importorskip("fsspec")
TEXT = "time_ms,heading\n" + "".join(f"{20 * k + k % 3},{k}\n" for k in range(400))


@pytest.fixture
def address():
    """A log in a store that lives in memory."""
    at = f"memory://{uuid.uuid4().hex}/log.csv"
    with fsspec.open(at, "wb") as file:
        file.write(TEXT.encode())
    return at


def test_an_address_reads_as_the_file_does(address, tmp_path):
    """The same bytes give the same run, wherever they are kept."""
    path = tmp_path / "log.csv"
    path.write_bytes(TEXT.encode())
    assert looptime.read(address).loops.equals(looptime.read(path).loops)


def test_season_of_addresses(address, tmp_path):
    """A season takes logs by their addresses, and knows them again."""
    season = Season(tmp_path / "season", create=True)
    job = Job(address, Asked().parts, Settings())
    assert len(add_logs(season, [job], processes=1).new) == 1
    assert len(add_logs(season, [job], processes=1).known) == 1


@pytest.mark.parametrize("at", ["memory://nowhere/log.csv", "nosuchstore://a/log.csv"])
def test_bad_addresses_are_one_line(at):
    """What cannot be reached says so."""
    with pytest.raises(LogError) as caught:
        looptime.read(at)
    assert "\n" not in str(caught.value)
