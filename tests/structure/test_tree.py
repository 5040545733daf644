"""What the repository holds: a clean top, no traces of one person's machine, links that lead on."""

import re
import shutil
import subprocess
from pathlib import Path, PurePosixPath

import pytest

from looptime.checks.season.season import Season

ROOT = Path(__file__).resolve().parents[2]
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml"} | {
    "looptime", "dashboards", "sample_logs", "tests",
}  # fmt: skip
MADE_BY_TOOLS = {"PKG-INFO", "__pycache__", "build", "dist"}

# in two parts each, so that this file holds none of them
UNWANTED = ["/wo" + "rk/", "/ro" + "ot/", "C:" + "\\Users"]


def tracked() -> list[str]:
    """Files of the repository, as paths with forward slashes; without git, those on the disk."""
    if (ROOT / ".git").exists() and shutil.which("git"):
        # a checkout may belong to someone else than who runs the tests
        command = ["git", "-c", f"safe.directory={ROOT.as_posix()}", "ls-files", "-z"]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
        names = done.stdout.decode("utf-8").split("\0")
        return [name for name in names if name and (ROOT / name).is_file()]
    paths = [path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file()]
    return [
        path.as_posix()
        for path in paths
        if not any(part.startswith(".") or part in MADE_BY_TOOLS for part in path.parts)
    ]


FILES = tracked()


def text_of(name: str) -> str:
    """The file's text, or nothing for what is not text."""
    data = (ROOT / name).read_bytes()
    if b"\0" in data[:4096]:
        return ""
    return data.decode("utf-8", errors="replace")


def test_the_top_holds_only_what_belongs_there() -> None:
    """Nothing piles up beside the packages, their logs, their tests and two texts."""
    top = {PurePosixPath(name).parts[0] for name in FILES}
    extra = {name for name in top - TOP if not name.startswith(".")}
    assert not extra, f"move these into a folder: {sorted(extra)}"
    assert top >= {"README.md", "pyproject.toml", "looptime", "dashboards", "tests"}


@pytest.mark.parametrize("unwanted", UNWANTED)
def test_no_file_tells_of_the_machine_it_was_written_on(unwanted: str) -> None:
    """Paths of one machine mean nothing to a stranger."""
    found = [name for name in FILES if unwanted in text_of(name)]
    assert not found, f"{unwanted!r} in {found}"


def test_texts_that_are_named_are_there() -> None:
    """A source that sends the reader to a text sends them to one that the repository holds."""
    there = {PurePosixPath(name).name for name in FILES} | {"DEVELOPERS.md"}
    missing = [
        f"{name}: {text}"
        for name in FILES
        if name.startswith(("looptime/", "dashboards/")) or "/" not in name
        for text in re.findall(r"[\w-]+\.md\b", text_of(name))
        if text not in there
    ]
    assert not missing, missing


def test_no_file_is_too_large_to_clone() -> None:
    """The sample logs together stay below 12 MB, any other file below 1 MB."""
    sizes = {name: (ROOT / name).stat().st_size for name in FILES}
    logs = sum(size for name, size in sizes.items() if name.startswith("sample_logs/"))
    assert logs < 12_000_000
    large = [n for n, s in sizes.items() if s > 1_000_000 and not n.startswith("sample_logs/")]
    assert not large, large


def test_looking_at_the_sample_season_changes_no_file(tmp_path: Path) -> None:
    """Whoever lists its runs in a fresh checkout has nothing to commit afterwards."""
    season = "sample_logs/season/"
    names = [name for name in FILES if name.startswith(season)]
    copies = {name: tmp_path / name.removeprefix(season) for name in names}
    for name, copy in copies.items():
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, copy)
    assert len(Season(tmp_path).entries()) == 12
    changed = [n for n, copy in copies.items() if copy.read_bytes() != (ROOT / n).read_bytes()]
    assert not changed


def test_the_one_command_is_what_a_server_runs() -> None:
    """The server checks exactly what a contributor checks."""
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    commands = [line for line in lines if line and not line.startswith("#")]
    assert len(commands) == 1
    assert commands[0].endswith(" && bash tests/run")
