"""The folder of the sample logs is found in a checkout and in an installation, and nowhere else."""

from pathlib import Path

import pytest

from looptime.errors import UsageError
from looptime.samples import _find


def lay(root: Path, *folders: str) -> Path:
    package = root / "looptime"
    package.mkdir()
    for folder in folders:
        (root / folder).mkdir(parents=True)
    return package


def test_an_installation_has_its_logs_inside(tmp_path: Path) -> None:
    """The package's own folder is taken first."""
    package = lay(tmp_path, "looptime/sample_logs", "sample_logs")
    (tmp_path / "pyproject.toml").touch()
    assert _find(package) == package / "sample_logs"


def test_a_checkout_has_its_logs_beside_the_package(tmp_path: Path) -> None:
    """In a checkout the folder lies at the top of the repository."""
    package = lay(tmp_path, "sample_logs")
    (tmp_path / "pyproject.toml").touch()
    assert _find(package) == tmp_path / "sample_logs"


def test_a_stranger_beside_an_installation_is_not_taken(tmp_path: Path) -> None:
    """A folder of that name among installed packages belongs to somebody else."""
    package = lay(tmp_path, "sample_logs")
    with pytest.raises(UsageError, match="no sample logs in this installation") as raised:
        _find(package)
    assert "\n" not in str(raised.value)
