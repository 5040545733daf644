"""Every head of a table is a word that ``looptime explain`` knows, and the command tells it."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from looptime import cli
from looptime.findings.cost_rules import _SIGN_CODES
from looptime.findings.finding import SEVERITIES
from looptime.guide import topics
from looptime.guide.glossary import find
from looptime.parsers.columns.role import ROLES
from looptime.schema import KINDS, LAYOUTS, REASONS

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


def texts_in(node: ast.expr) -> Iterator[str]:
    """The texts that an expression may be, one of several where it is chosen."""
    if isinstance(node, ast.IfExp):
        yield from (*texts_in(node.body), *texts_in(node.orelse))
    elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.strip():
        yield node.value


def codes_of(path: Path) -> Iterator[str]:
    """Codes of findings, which the table of several logs prints with blanks for underscores.

    They are what `Finding` is given first, and what a function is given for its `code`.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    place = {"Finding": 0} | {
        one.name: [arg.arg for arg in one.args.args].index("code")
        for one in ast.walk(tree)
        if isinstance(one, ast.FunctionDef) and "code" in [arg.arg for arg in one.args.args]
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and (at := place.get(ast.unparse(node.func))) is not None:
            for code in texts_in(node.args[at]) if len(node.args) > at else ():
                yield code.replace("_", " ")


def labels_of(path: Path) -> Iterator[str]:
    """What stands before a line of a view, and the names of the checks before a match."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("labelled", "Checked"):
            yield from texts_in(node.args[0])


HERE = Path(cli.__file__).parent
CODES = sorted({code for path in HERE.glob("findings/*.py") for code in codes_of(path)})
LABELS = sorted({
    one for where in ("views/text/*.py", "checks/gate/*.py", "cli_base.py")
    for path in HERE.glob(where) for one in labels_of(path)
})  # fmt: skip


@pytest.mark.parametrize(
    "word",
    [*CODES, *LABELS, *_SIGN_CODES.values(), *KINDS, *ROLES, *LAYOUTS, *REASONS, *SEVERITIES,
     "faster", "slower", "no change seen", "can't tell", "far off", "stands out"],
)  # fmt: skip
def test_every_label_kind_and_finding_is_explained(
    word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Typed as it is printed, as one argument or as several words."""
    for typed in ([word], word.split()):
        assert cli.run(["explain", *typed]) == 0
        assert capsys.readouterr().out


def test_what_is_collected_is_there() -> None:
    """The collections above find what the views print."""
    assert {"recurring stall", "dear call", "pacing skips", "rows set aside"} <= set(CODES)
    assert {"made by", "timeouts", "project", "caution"} <= set(LABELS)


def test_words_that_nobody_knows_are_taken_whole(capsys: pytest.CaptureFixture[str]) -> None:
    """No file is looked for where the last word cannot be the name of one."""
    assert cli.run(["explain", "stall", "fence"]) == 2
    assert "'stall fence' is no word" in capsys.readouterr().err
    assert cli.run(["explain", "stall", "fence.csv"]) == 2
    assert "fence.csv" in capsys.readouterr().err


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
