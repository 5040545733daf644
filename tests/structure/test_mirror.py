"""Tests stand where their module stands, or it is said here where its behaviour is stated."""

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE, TESTS = ROOT / "looptime", ROOT / "tests"

# Modules without a file of their own: the file that states what they do, seen through the module
# that uses them. Files of the command line have theirs in `tests/cli`.
ELSEWHERE = {
    "analysers": {
        "basis": "analysers/test_pacing", "pacing_mode": "analysers/test_pacing",
        "pacing_rule": "analysers/test_pacing",
        "beats": "analysers/test_recurs", "beside": "analysers/test_summary",
        "contrast": "analysers/test_drift", "estimate": "analysers/test_summary",
        "one_clock": "cli/test_held_together",
        "threads_rest": "analysers/test_recurs", "together": "analysers/test_summary",
    },
    "checks/gate": {
        "checked": "checks/gate/test_checklist",
    },
    "checks/compare": {
        "comparison": "checks/compare/test_compare",
        "unlike_ticks": "checks/compare/test_readings",
    },
    "checks/recording": {
        "facts": "checks/recording/test_recording", "scatter": "browser/test_desk",
    },
    "checks/season": {
        "creep": "views/text/test_season_answers", "entries": "checks/season/test_season",
        "workers": "checks/season/test_adding",
    },
    "controlling": {
        "control_result": "controlling/test_control_study", "law": "controlling/test_effective",
        "fit_stretches": "controlling/test_fit",
        "matrices": "controlling/test_stability", "outcome": "controlling/test_moves",
        "simulate": "controlling/test_against_brute_force", "target": "controlling/test_response",
        "trace": "controlling/test_control_study",
        "value_instants": "controlling/test_control_study",
    },
    "findings": {"about": "findings/test_finding"},
    "heading": {"block_intervals": "heading/test_curve", "result": "heading/test_heading_study"},
    "parsers": {
        "as_threads": "cli/test_held_together",
        "columns_taken": "questions/test_stating",
        "log": "parsers/repair/test_clock_repair", "options": "parsers/kept/test_cache",
        "read": "parsers/test_registry",
    },
    "parsers/columns": {
        "against_steps": "parsers/columns/test_roles",
        "role": "parsers/columns/test_roles",
        "stamped_at": "parsers/columns/test_roles",
    },
    "parsers/layouts": {
        "contract": "parsers/layouts/test_skeleton", "each_row": "parsers/layouts/test_stamps",
        "laid": "parsers/layouts/test_costs",
    },
    "parsers/lines": {
        "stamped_words": "parsers/lines/test_lock_words",
        "told_waits": "parsers/lines/test_lock_words",
        "brackets": "parsers/lines/test_titled",
        "cell_rows": "parsers/layouts/test_costs", "column_names": "parsers/lines/test_plain",
        "event_calls": "parsers/lines/test_events", "event_order": "parsers/lines/test_events",
        "event_tables": "parsers/lines/test_events",
        "grid": "parsers/lines/test_plain", "pin_rows": "parsers/lines/test_pins",
        "pin_senses": "parsers/lines/test_pins",
        "pin_texts": "parsers/lines/test_pins",
        "shapes": "parsers/lines/test_keyed",
    },
    "parsers/repair": {"doubts": "parsers/columns/test_unit"},
    "parsers/text": {
        "block": "parsers/text/test_table", "dialect": "parsers/text/test_sniff",
        "rewritten": "parsers/lines/test_groups",
        "exceptions": "parsers/columns/test_stated_exceptions",
    },
    "planner/answer": {"rest": "planner/answer/test_intervals"},
    "planner/known": {"seen_buses": "planner/play/test_unnamed"},
    "planner/play": {"stops": "planner/play/test_threads"},
    "planner/search": dict.fromkeys(
        ("proposals", "reading", "waiting", "writing"), "planner/search/test_suggest"
    ),
    "questions": {
        "summing": "questions/test_timing",
        "new_pace": "questions/test_one_answer",
        "pipes": "questions/test_doors",
        "planning": "questions/test_one_answer",
        "side_by_side": "browser/test_runs_page", "sources": "checks/test_recorded",
        "watching": "cli/test_watch", "zips": "questions/test_doors",
    },
    "stats": {"levels": "stats/test_calibration_smoke"},
    "views/figures": {
        "call_figures": "views/figures/test_cost_rows", "drawing": "views/figures/test_picture",
    },
    "views/files": {
        "json": "questions/test_one_answer",
        **dict.fromkeys(
            ("report_log", "report_page", "report_parts", "report_several", "report_sheet"),
            "views/files/test_report",
        ),
    },
    "views/text": {
        "change_text": "views/text/test_checks_text",
        "pit_text": "checks/gate/test_checklist",
        "plan_words": "views/text/test_plan_text", "text_parts": "views/text/test_summary_text",
        "suggestions_text": "views/text/test_plan_text",
        "tour_text": "cli/test_cli", "watch_text": "cli/test_watch",
    },
    "": {
        "array_types": "structure/test_imports", "samples": "packaging/test_samples",
        "schema": "parsers/layouts/test_skeleton", "tables": "parsers/kept/test_store",
        "words": "views/text/test_terminal",
    },
}  # fmt: skip
# Files that state something of a whole wing, or of what tests themselves share.
OF_A_WING = {
    "checks/test_recorded", "controlling/test_against_brute_force", "findings/test_findings",
    "findings/test_sample_logs", "findings/test_scenarios", "heading/test_against_simulation",
    "questions/test_one_answer", "questions/test_one_cut", "stats/test_calibration_smoke",
    "stats/test_package", "test_build_run", "test_need_tool",
}  # fmt: skip
# Folders of tests that mirror none of the package: what they hold is in their names.
BESIDE = {"benchmarks", "browser", "cli", "docs", "packaging", "properties", "recorders", "rig",
          "run", "structure"}  # fmt: skip


def modules() -> list[tuple[str, str]]:
    """Wing and name of every module whose behaviour can be stated."""
    paths = [path.relative_to(PACKAGE) for path in PACKAGE.rglob("*.py")]
    return sorted(
        (path.parent.as_posix().removeprefix("."), path.stem)
        for path in paths
        if not path.stem.startswith("__") and path.parts[0] not in ("recorders", "sample_logs")
        if not path.stem.startswith("cli")
    )


def mirror(wing: str, name: str) -> Path:
    """Where the tests of a module belong."""
    return TESTS / wing / f"test_{name}.py"


@pytest.mark.parametrize("wing", sorted({wing for wing, _ in modules()}))
def test_every_module_has_its_tests_or_says_where_they_are(wing: str) -> None:
    """A module has a file of tests at its own place, or is in the list with one that is there."""
    listed = ELSEWHERE.get(wing, {})
    names = {name for at, name in modules() if at == wing}
    own = {name for name in names if mirror(wing, name).exists()}
    assert names - own - set(listed) == set(), f"add tests/{wing}/test_NAME.py, or say where"
    assert set(listed) & own == set(), "these have their own tests now: take them off the list"
    assert set(listed) <= names, "these modules are gone: take them off the list"
    missing = {place for place in listed.values() if not (TESTS / f"{place}.py").exists()}
    assert not missing


def test_every_file_of_tests_has_its_module() -> None:
    """A file of tests is named for a module, or in the list of those about a whole wing."""
    mirrored = {mirror(wing, name) for wing, name in modules()}
    others = {
        path.relative_to(TESTS).with_suffix("").as_posix()
        for path in TESTS.rglob("test_*.py")
        if path not in mirrored and path.relative_to(TESTS).parts[0] not in BESIDE
    }
    assert others == OF_A_WING
