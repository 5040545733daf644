"""The reader of imports, on sources written for it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.structure.imports import find_cycle, imports_of, modules_below

KNOWN = frozenset({"box", "box.high", "box.low", "box.low.deep"})


@pytest.mark.parametrize(
    ("source", "module", "deferred"),
    [
        ("import box.high", "box.high", False),
        ("import box.high as h", "box.high", False),
        ("from box import high", "box.high", False),
        ("from box.high import thing", "box.high", False),
        ("from .. import high", "box.high", False),
        ("from ..high import thing", "box.high", False),
        ("from . import deep", "box.low.deep", False),
        ("def f():\n    import box.high", "box.high", True),
        ("class A:\n    def f(self):\n        from box import high", "box.high", True),
        ("try:\n    import box.high\nexcept ImportError:\n    pass", "box.high", False),
        ("import importlib\nimportlib.import_module('box.high')", "box.high", False),
        ("f = lambda: __import__('box.high')", "box.high", True),
        ("from scipy import stats", "scipy.stats", False),
        ("from box import something_else", "box", False),
        ("if not TYPE_CHECKING:\n    pass\nelse:\n    import box.high", "box.high", False),
    ],
)
def test_imports_are_found(tmp_path: Path, source: str, module: str, deferred: bool) -> None:
    """Every way to write an import is seen, with whether it waits until it is needed."""
    path = tmp_path / "low.py"
    path.write_text(source, encoding="utf-8")
    found = imports_of("box.low.caller", path, KNOWN)
    assert (module, deferred) in {(one.module, one.deferred) for one in found}


def test_imports_for_the_type_checker_do_not_count(tmp_path: Path) -> None:
    """What stands under TYPE_CHECKING never runs."""
    path = tmp_path / "low.py"
    path.write_text("if TYPE_CHECKING:\n    import box.high\nimport json\n", encoding="utf-8")
    assert [(one.module, one.line) for one in imports_of("box.low", path, KNOWN)] == [("json", 3)]


def test_modules_are_named_by_their_place(tmp_path: Path) -> None:
    """A package is named by its folder, a module by folder and file."""
    (tmp_path / "box" / "low").mkdir(parents=True)
    for name in ("__init__.py", "high.py", "low/__init__.py", "low/deep.py"):
        (tmp_path / "box" / name).touch()
    assert set(modules_below(tmp_path / "box")) == set(KNOWN)


def test_rings_are_found() -> None:
    """A ring of three is named in order; a graph where two paths meet is no ring."""
    ring = find_cycle({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": set()})
    assert ring == ["a", "b", "c", "a"]
    assert find_cycle({"a": {"b", "c"}, "b": {"d"}, "c": {"d"}}) == []
