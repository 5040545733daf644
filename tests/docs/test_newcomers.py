"""The commands on the page for new members run on the sample logs."""

import contextlib
import re
import shlex

import pytest

from looptime import cli
from looptime.samples import folder

PAGE = (folder() / "NEWCOMERS.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^    looptime (.*)$", PAGE, re.M)


@pytest.mark.parametrize("command", COMMANDS)
def test_command_runs(command, capsys):
    """Each command ends well; the gate fails, as the page says."""
    with contextlib.chdir(folder()):
        code = cli.run(shlex.split(command))
    assert code == (1 if command.startswith("gate") else 0), capsys.readouterr().err
