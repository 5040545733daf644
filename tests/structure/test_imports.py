"""Imports run one way, from the commands down to the vocabulary; heavy libraries load late."""

import subprocess
import sys
from pathlib import Path

import pytest

from looptime.parsers.kept.cache import SOURCES
from tests.structure.imports import Import, find_cycle, imports_of, modules_below

ROOT = Path(__file__).resolve().parents[2]

# Each floor may import itself and those above it in this list. A new module or package of
# `looptime` gets its place here.
FLOORS = (
    {
        "abreast",
        "array_types",
        "errors",
        "files",
        "globs",
        "notes",
        "units",
        "schema",
        "records",
        "run",
        "samples",
        "tables",
        "words",
        "guide",
        "length_groups",
        "stated_pace",
        "signal_names",
        "stated_columns",
    },
    {"stats"},
    {"call_words", "controllers"},
    {"project"},
    {"parsers"},
    {"analysers"},
    {"heading"},
    {"controlling"},
    {"planner"},
    {"checks"},
    {"findings"},
    {"views"},
    {"questions"},
    {""},  # the package itself, which offers the floors' functions under one name
    {"cli_steps"},
    {"cli_base"},
    {"cli_season"},
    {"cli_checks", "cli_control", "cli_files", "cli_guide", "cli_models", "cli_watch"},
    {"cli", "__main__"},
)
FLOOR = {name: number for number, floor in enumerate(FLOORS) for name in floor}

# Inside a floor each wing, a folder or a module beside the folders, may import itself and those
# before it: the order of the data's way.
WINGS = {
    "parsers": (
        {"options"}, {"text"}, {"columns"}, {"clock"}, {"layouts"}, {"lines"}, {"repair"},
        {"assemble"}, {"log"}, {"as_threads"}, {"kept"}, {"registry"}, {"fresh"}, {"read"},
        {"columns_taken"}, {"follow"},
    ),
    "planner": ({"changes"}, {"known"}, {"play"}, {"answer"}, {"search"}),
    "checks": ({"recording"}, {"compare"}, {"season"}, {"gate"}),
    "views": ({"text"}, {"figures"}, {"files"}),
    "questions": (
        {"zips"}, {"pipes"}, {"doors"}, {"asked"}, {"misfits"}, {"stating"}, {"new_pace"},
        {"sources"}, {"judging"}, {"side_by_side"}, {"summing"},
        {"planning"}, {"timing"}, {"steering"}, {"pit_check"}, {"watching"}, {"reporting"},
    ),
}  # fmt: skip

# A text command that loads one of these is slow to start, or does another command's work.
PICTURES = ("plotly", "dash", "flask", "looptime_dashboards", "scipy.stats")
HEAVY = (*PICTURES, "pandas", "pyarrow", "scipy", "distributed", "polars")

MODULES = modules_below(ROOT / "looptime")
PAGES = modules_below(ROOT / "dashboards" / "looptime_dashboards")
KNOWN = frozenset(MODULES) | frozenset(PAGES)
ALL = [found for name, path in MODULES.items() for found in imports_of(name, path, KNOWN)]

LOG = """# looptime-recorder: python 1
# clock: monotonic
loop,thread,seq,name,start_us,duration_us,phase,mark,value
"""


def part_of(module: str) -> str:
    """``looptime.parsers.layouts.calls`` -> ``parsers``; the package itself -> the empty text."""
    return [*module.split("."), ""][1]


def wing_of(module: str) -> str:
    """``looptime.parsers.text.table`` -> ``text``; a floor itself -> the empty text."""
    return [*module.split("."), "", ""][2]


def own(found: Import) -> bool:
    return found.module.split(".")[0] == "looptime"


def listed(found: list[Import]) -> str:
    return "\n".join(str(one) for one in found)


def test_a_name_stands_for_one_module() -> None:
    """No two modules of the tree share a name, however far apart they stand."""
    places: dict[str, list[str]] = {}
    for name, path in {**MODULES, **PAGES}.items():
        if path.name != "__init__.py":
            places.setdefault(name.rpartition(".")[2], []).append(name)
    twice = {name: found for name, found in places.items() if len(found) > 1}
    assert not twice, twice


def test_every_module_has_a_floor() -> None:
    """A module that stands on no floor could import anything."""
    without = {part_of(name) for name in MODULES} - set(FLOOR) - {"recorders"}
    assert not without, f"give these a floor in {Path(__file__).name}: {sorted(without)}"


def test_imports_run_one_way() -> None:
    """A module imports its own floor and lower ones only, deferred imports counted."""
    upward = []
    for found in filter(own, ALL):
        importer, imported = part_of(found.importer), part_of(found.module)
        if "recorders" in (importer, imported):
            continue
        # __version__ is the package's own and loads nothing; the package's functions are high up
        if found.module == "looptime" and _only_version(found):
            continue
        if FLOOR[imported] > FLOOR[importer]:
            upward.append(found)
    assert not upward, listed(upward)


def test_every_module_of_a_floor_with_wings_has_one() -> None:
    """A module that stands in no wing could import any of them."""
    without = [
        name
        for name in MODULES
        if part_of(name) in WINGS
        and wing_of(name)
        and not any(wing_of(name) in wing for wing in WINGS[part_of(name)])
    ]
    assert not without, f"give these a wing in {Path(__file__).name}: {without}"


def test_wings_import_one_way() -> None:
    """A wing imports itself and those before it only, deferred imports counted."""
    back = []
    for found in filter(own, ALL):
        floor, wing, other = part_of(found.importer), wing_of(found.importer), found.module
        if floor not in WINGS or part_of(other) != floor or not wing or not wing_of(other):
            continue
        place = {name: at for at, names in enumerate(WINGS[floor]) for name in names}
        if place[wing_of(other)] > place[wing]:
            back.append(found)
    assert not back, listed(back)


def _only_version(found: Import) -> bool:
    line = MODULES[found.importer].read_text(encoding="utf-8").splitlines()[found.line - 1]
    return line.strip() == "from looptime import __version__"


def test_no_ring_of_imports() -> None:
    """No two modules need each other, not even through others, inside one floor or for types."""
    graph: dict[str, set[str]] = {name: set() for name in MODULES}
    for name, path in MODULES.items():
        for found in filter(own, imports_of(name, path, KNOWN, for_types=True)):
            if found.module != "looptime" and name != "looptime":
                graph[name].add(found.module)
    ring = find_cycle(graph)
    assert not ring, " imports ".join(ring)


def test_recorders_stand_alone() -> None:
    """Recorders go into a robot's code: they import nothing of looptime, and only the commands
    hand them out.
    """
    bad = [
        found
        for found in filter(own, ALL)
        if (part_of(found.importer) == "recorders" and part_of(found.module) != "recorders")
        or (
            part_of(found.module) == "recorders"
            and part_of(found.importer) not in {"recorders", "cli", "cli_guide", "__main__"}
        )
    ]
    assert not bad, listed(bad)


def test_statistics_see_arrays_only() -> None:
    """The statistics need NumPy, special functions and the floor below, nothing else."""
    allowed = {
        "numpy",
        "scipy.special",
        "looptime.array_types",
        "looptime.errors",
        "looptime.records",
    }
    bad = [
        found
        for found in ALL
        if part_of(found.importer) == "stats"
        and found.module.split(".")[0] not in sys.stdlib_module_names
        and not found.module.startswith(("numpy.", "looptime.stats"))
        and found.module not in allowed
    ]
    assert not bad, listed(bad)


def test_scipy_stats_is_never_imported() -> None:
    """scipy.stats takes a second to load; scipy.special has what is needed."""
    pages = [found for name, path in PAGES.items() for found in imports_of(name, path, KNOWN)]
    bad = [one for one in [*ALL, *pages] if one.module.startswith("scipy.stats")]
    assert not bad, listed(bad)


def test_only_the_dashboard_command_loads_the_dashboard() -> None:
    """No module needs the dashboard, save the command that opens it, when it is called."""
    bad = [
        found
        for found in ALL
        if found.module.split(".")[0] in {"looptime_dashboards", "dashboards", "dash"}
        and not (part_of(found.importer) == "cli" and found.deferred)
    ]
    assert not bad, listed(bad)


def test_the_dashboard_does_not_call_the_commands() -> None:
    """The dashboard is built on the Python API, not on the command line."""
    bad = [
        found
        for name, path in PAGES.items()
        for found in imports_of(name, path, KNOWN)
        if own(found) and part_of(found.module) in {"cli", "__main__"}
    ]
    assert not bad, listed(bad)


# What a front end may import, besides itself and the questions: how they are shown, and the
# vocabulary. Types of results may come from where they are made.
FRONT = {"array_types", "guide", "questions", "views", "recorders", "", "errors", "files", "notes",
         "schema", "records", "units", "run", "words", "samples", "project",
         "controllers"}  # fmt: skip


def test_front_ends_ask_on_the_floor_of_questions() -> None:
    """Neither a command nor a page goes deeper than the questions."""
    pages = [found for name, path in PAGES.items() for found in imports_of(name, path, KNOWN)]
    deep = [
        found
        for found in filter(own, [*ALL, *pages])
        if part_of(found.importer).startswith("cli") or found.importer in PAGES
        if part_of(found.module) not in FRONT and not part_of(found.module).startswith("cli")
    ]
    assert not deep, listed(deep)


def test_figures_are_drawn_in_views_only() -> None:
    """Plotly belongs to the views; elsewhere it would be loaded by the text commands."""
    bad = [
        found
        for found in ALL
        if found.module.split(".")[0] == "plotly" and part_of(found.importer) != "views"
    ]
    assert not bad, listed(bad)


def loaded_by(code: str, names: tuple[str, ...]) -> tuple[list[str], str]:
    """Which of the modules `names` a fresh interpreter has loaded after `code`, and its output."""
    report = (
        "import sys as _sys\n"
        f"print('loaded:', *sorted(set({list(names)!r}) & set(_sys.modules)), file=_sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code + "\n" + report],
        capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    *_, last = done.stderr.strip().splitlines()
    assert last.startswith("loaded:"), done.stderr
    return last.split()[1:], done.stdout + done.stderr


def test_a_prepared_copy_is_tied_to_all_that_the_parsers_import() -> None:
    """No module that takes part in reading a log is outside the source that dates a copy."""
    reached, new = set(), {name for name in MODULES if part_of(name) == "parsers"}
    while new:
        reached |= new
        new = {f.module for f in ALL if f.importer in new and own(f)} & set(MODULES) - reached
    package = ROOT / "looptime"
    dated = [package / source for source in SOURCES]
    outside = [
        name
        for name in reached - {"looptime"}
        if not any(MODULES[name].is_relative_to(place) for place in dated)
    ]
    assert outside == []
    assert all(place.exists() for place in dated)


def test_the_check_sees_what_is_loaded() -> None:
    """The check below would notice a library that is loaded."""
    assert loaded_by("import plotly, scipy.stats", PICTURES)[0] == ["plotly", "scipy.stats"]


def test_lower_floors_load_no_pictures() -> None:
    """Everything below the views, loaded at once, brings neither Plotly nor Dash."""
    low = [
        name for name in MODULES if part_of(name) not in {"views", "cli", "__main__", "recorders"}
    ]
    assert loaded_by("\n".join(f"import {name}" for name in low), PICTURES)[0] == []


@pytest.mark.parametrize(
    "name", [name for name in ("looptime", "looptime.cli", "looptime.__main__") if name in MODULES]
)
def test_commands_start_without_the_heavy_libraries(name: str) -> None:
    """Help and mistakes in an option answer at once: nothing heavy is loaded for them."""
    assert loaded_by(f"import {name}", HEAVY)[0] == []


def program(*words: str) -> str:
    """Code that runs a command, which must do its work."""
    return (
        "import sys\n"
        f"sys.argv = ['looptime', *{words!r}]\n"
        "from looptime.__main__ import main\n"
        "try:\n    code = main()\nexcept SystemExit as end:\n    code = end.code\n"
        "assert not code, code\n"
    )


def write_log(path: Path, loops: int = 400) -> None:
    """A robot's log with 20 ms loops, a gyro read of 3 ms in each and one slow loop in 50."""
    rows, start = [], 0.0
    for loop in range(loops):
        period = 35000.0 if loop % 50 == 49 else 20000.0 + 37 * (loop % 7)
        rows.append(f"{loop},main,{2 * loop},gyro.read,{start + 100:.3f},3000.000,,,")
        rows.append(f"{loop},main,{2 * loop + 1},loop,{start:.3f},{period:.3f},,,")
        start += period
    path.write_text(LOG + "\n".join(rows) + "\n", encoding="utf-8")


@pytest.mark.parametrize("command", ["slow", "summary"])
def test_text_commands_load_no_pictures(command: str, tmp_path: Path) -> None:
    """A command that prints text does its work without Plotly, Dash and scipy.stats."""
    log = tmp_path / "run.csv"
    write_log(log)
    loaded, output = loaded_by(program(command, "--no-cache", str(log)), PICTURES)
    assert loaded == []
    assert len(output) > 200


def test_a_summary_loads_what_it_needs_and_no_more(tmp_path: Path) -> None:
    """Of a table of calls no command, layout or way of reading is loaded that has no part in it.

    Each module costs a start a quarter of a millisecond. A new one that every summary needs raises
    the number.
    """
    log = tmp_path / "run.csv"
    write_log(log)
    loaded = loaded_by(program("summary", "--no-cache", str(log)), tuple(MODULES))[0]
    shared = ("looptime.cli_base", "looptime.cli_steps")
    others = [n for n in loaded if n.startswith("looptime.cli_") and n not in shared]
    lines = [n for n in loaded if n.startswith("looptime.parsers.lines.")]
    assert (others, lines) == ([], ["looptime.parsers.lines.groups"])
    assert len(loaded) <= 191
    spared = ("difflib", "shutil", "pyarrow.compute", "pyarrow.parquet", "numpy.ma")
    assert loaded_by(program("summary", "--no-cache", str(log)), spared)[0] == []
