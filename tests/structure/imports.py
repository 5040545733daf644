"""What each module of a source tree imports, read from its syntax, deferred imports included."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Import", "find_cycle", "imports_of", "modules_below", "name_of"]


@dataclass(frozen=True)
class Import:
    """One imported module: who imports it, where, and whether only when it is needed."""

    importer: str
    module: str
    line: int
    deferred: bool

    def __str__(self) -> str:
        return f"{self.importer} (line {self.line}) imports {self.module}"


def name_of(path: Path, root: Path) -> str:
    """Dotted name of the module in `path`, below the folder `root` of the packages."""
    parts = list(path.relative_to(root).with_suffix("").parts)
    if parts[-1] == "__init__":
        parts.pop()
    return ".".join(parts)


def modules_below(package: Path) -> dict[str, Path]:
    """Every module of a package, by its dotted name."""
    return {name_of(path, package.parent): path for path in sorted(package.rglob("*.py"))}


def imports_of(
    importer: str, path: Path, known: frozenset[str], for_types: bool = False
) -> list[Import]:
    """All imports of one module.

    ``from package import name`` counts as an import of ``package.name`` where that is one of
    the `known` modules, else of ``package``. Imports for the type checker alone are left out
    unless asked for: they never run.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"), filename=str(path))
    package = importer if path.name == "__init__.py" else importer.rpartition(".")[0]
    found = []
    for node, deferred in _walk(tree, False, for_types):
        for module in _targets(node, package, known):
            found.append(Import(importer, module, node.lineno, deferred))
    return found


def _walk(
    node: ast.AST, deferred: bool, for_types: bool
) -> Iterator[tuple[ast.stmt | ast.Call, bool]]:
    for child in ast.iter_child_nodes(node):
        if (
            not for_types
            and isinstance(child, ast.If)
            and "TYPE_CHECKING" in ast.unparse(child.test)
        ):
            for other in child.orelse:
                yield from _walk(ast.Module([other], []), deferred, for_types)
            continue
        if isinstance(child, ast.Import | ast.ImportFrom | ast.Call):
            yield child, deferred
        inside = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        yield from _walk(child, deferred or inside, for_types)


def _targets(node: ast.AST, package: str, known: frozenset[str]) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom):
        base = node.module or ""
        if node.level:
            above = package.split(".")[: len(package.split(".")) - node.level + 1]
            base = ".".join([*above, *([base] if base else [])])
        whole = {f"{base}.{alias.name}" for alias in node.names}
        inner = {name for name in whole if name in known or _is_submodule(name)}
        return sorted(inner | ({base} if inner != whole else set()))
    # import_module("looptime.x") and __import__("looptime.x") are imports as well
    call = node
    if isinstance(call, ast.Call) and call.args and isinstance(call.args[0], ast.Constant):
        called = ast.unparse(call.func).rpartition(".")[2]
        if called in {"import_module", "__import__"} and isinstance(call.args[0].value, str):
            return [call.args[0].value]
    return []


def _is_submodule(name: str) -> bool:
    """The submodules of other packages that a rule names."""
    return name in {"scipy.stats", "scipy.special"}


def find_cycle(graph: dict[str, set[str]]) -> list[str]:
    """A ring of modules that import each other, or an empty list."""
    done: set[str] = set()

    def visit(name: str, trail: list[str]) -> list[str]:
        if name in trail:
            return [*trail[trail.index(name) :], name]
        if name in done:
            return []
        for other in sorted(graph.get(name, ())):
            ring = visit(other, [*trail, name])
            if ring:
                return ring
        done.add(name)
        return []

    for name in sorted(graph):
        ring = visit(name, [])
        if ring:
            return ring
    return []
