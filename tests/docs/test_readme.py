"""What README.md shows is what the commands do."""

import re

import pytest
from click import Context

from looptime.cli import cli
from tests.docs.readme import README, Block, blocks

TEXT = README.read_text(encoding="utf-8")


@pytest.mark.parametrize("block", blocks(TEXT), ids=lambda b: b.command[2:60])
def test_output_shown_is_output_made(block: Block, tmp_path):
    """Every command shown prints what is shown (``python -m tests.docs.readme`` renews it)."""
    assert block.run(tmp_path) == block.output


def test_every_command_is_told_of():
    """Each command of the command line stands in the README."""
    for name in cli.list_commands(Context(cli)):
        assert re.search(rf"`?looptime {name}\b", TEXT), name


def test_every_command_has_help():
    """Each command and each of its options says what it does."""
    for name in cli.list_commands(Context(cli)):
        command = cli.get_command(Context(cli), name)
        assert command.help
        for option in command.params:
            if option.param_type_name == "option":
                assert option.help, (command.name, option.name)


def test_it_is_short():
    """The whole page is at most 220 lines, each of the ten steps at most 8 without its example."""
    assert len(TEXT.splitlines()) <= 220
    steps = TEXT.partition("## The whole job in ten steps")[2].partition("\n## ")[0]
    bare = re.sub(r"<!-- shows[^\n]*\n```console\n.*?```\n", "", steps, flags=re.S)
    found = re.split(r"\n(?=\d+\. )", bare)[1:]
    assert len(found) == 10
    assert max(len([x for x in one.splitlines() if x.strip()]) for one in found) <= 8


def test_links_lead_to_pages_that_are_there():
    """Every file that is linked is in the repository."""
    links = re.findall(r"\]\(((?!http)[^)#]+)\)", TEXT)
    assert len(links) > 8
    assert not [link for link in links if not (README.parent / link).exists()]
