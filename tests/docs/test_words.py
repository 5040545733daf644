"""Every head of a table is a word that ``looptime explain`` knows, and the command tells it."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from looptime import cli
from looptime.guide import topics
from looptime.guide.glossary import find

TEXT = Path(cli.__file__).parent / "views" / "text"


def heads_of(path: Path) -> Iterator[str]:
    """Texts in the lists of heads of a module: what `heads` is given and what `table` gets."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        lists: list[ast.expr] = []
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]).startswith("heads"):
            lists = [node.value]
        elif isinstance(node, ast.Call) and ast.unparse(node.func) in ("table", "_table"):
            lists = node.args[:1]
        for one in lists:
            made = {  # of a log's own words
                id(value)
                for part in ast.walk(one)
                if isinstance(part, ast.JoinedStr)
                for value in part.values
            }
            for part in ast.walk(one):
                if isinstance(part, ast.Constant) and isinstance(part.value, str):
                    yield from () if id(part) in made else [part.value]


HEADS = sorted({head for path in TEXT.glob("*.py") for head in heads_of(path) if head.strip()})


@pytest.mark.parametrize("head", HEADS)
def test_every_head_is_explained(head: str) -> None:
    """With or without its unit and its statistic."""
    assert find(head) is not None


def test_there_are_heads_to_explain() -> None:
    """The collection above finds the tables."""
    assert {"call", "p99 ms", "share", "verdict"} <= set(HEADS)


def test_a_word_is_explained_with_a_logs_figures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Even loops of 20 ms: each quantile is 20 ms; a word that is not known names its like."""
    log = tmp_path / "even.csv"
    log.write_text("time_ms\n" + "".join(f"{20 * k}\n" for k in range(400)), encoding="utf-8")
    assert cli.run(["explain", "p99", str(log)]) == 0
    assert "period p99: 20 ms" in capsys.readouterr().out
    assert cli.run(["explain", "headrom"]) == 2
    assert "the nearest is 'headroom'" in capsys.readouterr().err


@pytest.mark.parametrize("topic", [*topics(), "recorders"])
def test_every_page_can_be_printed(topic: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A page begins with its title; an unknown one is refused with the list."""
    assert cli.run(["guide", topic]) == 0
    assert capsys.readouterr().out.startswith("# ")
    assert cli.run(["guide", "no such page"]) == 2
    assert topic in capsys.readouterr().err or topic == "recorders"
