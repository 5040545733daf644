import ast
import importlib
import subprocess
import sys
from pathlib import Path

import looptime.stats


def imports(path):
    """Modules that a file imports, deferred ones too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (a.name for a in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module or ""


def test_only_arrays_and_special_functions_are_used():
    """NumPy, scipy.special, this package and what stands below it; nothing heavier."""
    below = ("looptime.array_types", "looptime.errors", "looptime.records")
    allowed = ("numpy", "scipy.special", "looptime.stats", *below)
    here = Path(looptime.stats.__file__).parent
    for path in sorted(here.glob("*.py")):
        for name in imports(path):
            third_party = name.split(".")[0] not in sys.stdlib_module_names
            assert not third_party or name.startswith(allowed), f"{path.name} imports {name}"


def test_importing_it_loads_no_heavy_library():
    """Neither pandas nor scipy.stats come along."""
    code = (
        "import sys, looptime.stats;"
        "sys.exit(any(m in sys.modules for m in ('pandas', 'scipy.stats', 'plotly')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_public_lists_are_complete():
    """Every module lists its names, and every name in a list is there."""
    modules = [path.stem for path in Path(looptime.stats.__file__).parent.glob("[a-z]*.py")]
    assert len(modules) > 5
    for name in modules:
        module = importlib.import_module(f"looptime.stats.{name}")
        assert module.__all__
        assert all(hasattr(module, public) for public in module.__all__), name
