"""Where the sample logs are, in a checkout as in an installed package."""

from pathlib import Path

from looptime.errors import UsageError

__all__ = ["folder"]


def folder() -> Path:
    """The folder of the sample logs, each with its documented truth beside it.

    An installed package carries those of the tour inside itself; a checkout keeps them all beside
    the package.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    looptime.errors.UsageError
        If this installation has no sample logs.

    Examples
    --------
    >>> from looptime.samples import folder
    >>> folder().name
    'sample_logs'
    """
    return _find(Path(__file__).resolve().parent)


def _find(package: Path) -> Path:
    inside = package / "sample_logs"
    if inside.is_dir():
        return inside
    # beside the package only in a checkout: next to an installed one lie other people's packages
    beside = package.parent / "sample_logs"
    if beside.is_dir() and (package.parent / "pyproject.toml").is_file():
        return beside
    raise UsageError(
        f"no sample logs in this installation (looked for {inside} and {beside}): install again"
    )
