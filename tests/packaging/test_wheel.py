"""The wheel and the source archive: what they hold, and that the wheel works on its own."""

import email
import os
import re
import subprocess
import sys
import tarfile
import zipfile
from email.message import Message
from pathlib import Path, PurePosixPath

import pytest

from looptime.views.text.tour_text import STEPS

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_logs"
IN_WHEEL = "looptime/sample_logs/"
LEFT_OUT = {
    "__pycache__",
    "index.json",  # a copy of the season's list, begun when a run is added to it
    ".hypothesis",
    ".gitignore",
    ".mypy_cache",
    ".ruff_cache",
    ".pytest_cache",
}


def run(*command: str | Path, cwd: Path, path: Path | None = None) -> str:
    env = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    env["PYTHONUTF8"] = "1"
    if path is not None:
        env["PYTHONPATH"] = str(path)
    done = subprocess.run(
        [str(word) for word in command],
        cwd=cwd, env=env, capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def files_below(folder: Path) -> set[str]:
    """Files below a folder of the checkout, as paths from there, less what tools leave behind."""
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file()
        and not LEFT_OUT & set(path.relative_to(folder).parts)
        and path.suffix not in {".pyc", ".class"}
    }


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the source archive, and the wheel made from that archive."""
    folder = tmp_path_factory.mktemp("dist")
    run(sys.executable, "-m", "build", "--no-isolation", "--outdir", folder, ROOT, cwd=folder)
    return folder


@pytest.fixture(scope="module")
def wheel(built: Path) -> Path:
    (found,) = built.glob("*.whl")
    return found


@pytest.fixture(scope="module")
def names(wheel: Path) -> set[str]:
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


@pytest.fixture(scope="module")
def metadata(wheel: Path) -> Message:
    with zipfile.ZipFile(wheel) as archive:
        (name,) = (n for n in archive.namelist() if n.endswith(".dist-info/METADATA"))
        return email.message_from_bytes(archive.read(name))


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which the wheel alone is installed; dependencies are the environment's."""
    folder = tmp_path_factory.mktemp("installed")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps"]
    run(*pip, "--no-compile", "--target", folder, wheel, cwd=folder)
    return folder


def test_the_wheel_installs_two_packages_and_nothing_else(names: set[str]) -> None:
    """Nothing lands under a name that another project might use."""
    top = {PurePosixPath(name).parts[0] for name in names}
    (info,) = (name for name in top if name.endswith(".dist-info"))
    assert top == {"looptime", "looptime_dashboards", info}
    assert info.startswith("looptime-")


@pytest.mark.parametrize(
    ("folder", "place"),
    [
        ("looptime", "looptime"),
        ("dashboards/looptime_dashboards", "looptime_dashboards"),
    ],
)
def test_every_file_of_the_packages_is_in_the_wheel(
    folder: str, place: str, names: set[str]
) -> None:
    """Recorder sources, stylesheets and the mark of a typed package come with the modules."""
    expected = {f"{place}/{name}" for name in files_below(ROOT / folder)}
    assert expected
    assert expected <= names, sorted(expected - names)


def test_the_wheel_holds_the_logs_that_its_pages_name(names: set[str]) -> None:
    """Those of the tour and of the page for new members, and no further weight."""
    told = (SAMPLES / "NEWCOMERS.md").read_text(encoding="utf-8")
    named = {word for word in told.split() if word.endswith(".csv.gz")}
    named |= {word for step in STEPS for word in step.command if word.endswith(".csv.gz")}
    assert named
    held = {n.removeprefix(IN_WHEEL) for n in names if n.startswith(IN_WHEEL)}
    logs = {name for name in held if name.endswith(".csv.gz")}
    assert {name for name in logs if "/" not in name} == {n for n in named if "/" not in n}
    assert named <= logs
    others = {name for name in files_below(SAMPLES) if ".csv.gz" not in name}
    truths = {name for name in others if name.endswith(".truth.json")}
    assert others - truths <= held
    assert held & truths == {name.replace(".csv.gz", ".truth.json") for name in logs}


def test_the_wheel_holds_no_file_that_the_checkout_has_not(names: set[str]) -> None:
    """Neither tests nor what tools leave behind are shipped."""
    known = {f"looptime/{name}" for name in files_below(ROOT / "looptime")}
    known |= {IN_WHEEL + name for name in files_below(SAMPLES)}
    pages = files_below(ROOT / "dashboards" / "looptime_dashboards")
    known |= {f"looptime_dashboards/{name}" for name in pages}
    extra = {name for name in names if ".dist-info/" not in name} - known
    assert not extra, sorted(extra)


def test_the_licence_is_stated_and_inside(names: set[str], metadata: Message) -> None:
    """MIT in the metadata, its text in the package."""
    assert metadata["License-Expression"] == "MIT"
    assert metadata.get_all("License-File") == ["looptime/LICENSE"]
    assert "looptime/LICENSE" in names
    text = (ROOT / "looptime" / "LICENSE").read_text(encoding="utf-8")
    assert text.startswith("MIT License")
    assert "WITHOUT WARRANTY OF ANY KIND" in text


def test_dependencies_are_bounded(metadata: Message) -> None:
    """What is needed at run time names the oldest version that works and the first not tried."""
    needed = [line for line in metadata.get_all("Requires-Dist") or [] if "extra ==" not in line]
    assert needed
    unbounded = [line for line in needed if not re.search(r">=", line) or not re.search("<", line)]
    assert not unbounded, unbounded
    assert metadata["Requires-Python"] == ">=3.11"
    assert set(metadata.get_all("Provides-Extra") or []) == {"cluster", "test"}


def test_the_source_archive_holds_all_that_a_checkout_has(built: Path) -> None:
    """From the source archive the wheel is built and the tests are run."""
    (source,) = built.glob("*.tar.gz")
    with tarfile.open(source) as archive:
        held = {name.partition("/")[2] for name in archive.getnames()}
    assert {"pyproject.toml", "README.md", "tests/run", "looptime/LICENSE"} <= held
    assert {f"sample_logs/{name}" for name in files_below(SAMPLES)} <= held
    assert {f"tests/{name}" for name in files_below(ROOT / "tests")} <= held


def test_the_installed_package_works_outside_the_checkout(installed: Path, tmp_path: Path) -> None:
    """Imported from where it was installed, it has its version, its dashboard and its logs."""
    code = (
        "import importlib.metadata, looptime, looptime.samples, looptime_dashboards\n"
        "print(looptime.__file__, looptime_dashboards.__file__, looptime.samples.folder(),\n"
        "      looptime.__version__, importlib.metadata.version('looptime'), sep='\\n')\n"
    )
    module, pages, logs, version, stated = run(
        sys.executable, "-c", code, cwd=tmp_path, path=installed
    ).splitlines()
    assert Path(module) == installed / "looptime" / "__init__.py"
    assert Path(pages) == installed / "looptime_dashboards" / "__init__.py"
    assert Path(logs) == (installed / "looptime" / "sample_logs").resolve()
    assert files_below(Path(logs)) <= files_below(SAMPLES)
    assert version == stated


def test_a_look_at_the_installed_season_leaves_no_file(installed: Path, tmp_path: Path) -> None:
    """What is written beside the modules would outlive them: an uninstaller does not know it."""
    logs = installed / "looptime" / "sample_logs"
    before = sorted(logs.rglob("*"))
    command = ["season", "list", "--season", logs / "season"]
    shown = run(sys.executable, "-m", "looptime", *command, cwd=tmp_path, path=installed)
    assert "run_01" in shown
    assert sorted(logs.rglob("*")) == before


def test_the_installed_command_starts(installed: Path, tmp_path: Path) -> None:
    """The console command is stated, and what it names answers."""
    code = (
        "import importlib.metadata, sys\n"
        "found = importlib.metadata.distribution('looptime').entry_points\n"
        "(entry,) = (one for one in found if one.group == 'console_scripts')\n"
        "assert (entry.name, entry.value) == ('looptime', 'looptime.__main__:main'), entry\n"
        "sys.argv = ['looptime', '--help']\n"
        "sys.exit(entry.load()())\n"
    )
    assert "summary" in run(sys.executable, "-c", code, cwd=tmp_path, path=installed)
    module = run(sys.executable, "-m", "looptime", "--help", cwd=tmp_path, path=installed)
    assert "summary" in module
