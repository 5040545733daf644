"""Source files that a team puts into its robot code; they and this module need nothing of looptime.

Examples
--------
>>> from looptime import recorders
>>> recorders.read_source("python").startswith('\"\"\"looptime recorder for Python')
True
"""

from pathlib import Path

__all__ = ["guide", "read_source", "sources"]

#: Language, as the command line calls it, and the one file to add to a program in that language.
_FILES = {
    "java": "LooptimeRecorder.java",
    "cpp": "looptime_recorder.hpp",
    "python": "looptime_recorder.py",
    "micropython": "looptime_recorder_micro.py",
}


def sources() -> dict[str, Path]:
    """Return the recorders there are.

    Returns
    -------
    dict of str to pathlib.Path
        Language, and the source file to add to a program.

    Examples
    --------
    >>> sources()["java"].name
    'LooptimeRecorder.java'
    """
    folder = Path(__file__).resolve().parent
    return {language: folder / name for language, name in _FILES.items()}


def guide() -> str:
    """Return the guide: what to mark, how to get the log off the robot, an example a language.

    Examples
    --------
    >>> guide().startswith("# Timing into the robot code")
    True
    """
    return (Path(__file__).resolve().parent / "README.md").read_text(encoding="utf-8")


def read_source(language: str) -> str:
    """Return the source text of one recorder.

    Parameters
    ----------
    language : str
        A key of `sources`.

    Raises
    ------
    ValueError
        If there is no recorder for the language; the message lists those there are.

    Examples
    --------
    >>> "public final class LooptimeRecorder" in read_source("java")
    True
    """
    try:
        path = sources()[language]
    except KeyError:
        known = ", ".join(sorted(_FILES))
        raise ValueError(f"no recorder for {language!r}: choose one of {known}") from None
    return path.read_text(encoding="utf-8")
