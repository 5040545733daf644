"""The library that draws the figures in a browser: only the part of it that they need.

The whole library is four times as large, which makes a report heavy to send and the first page of
the dashboard slow. The file is plotly.js-basic-dist-min as published, compressed; figures may use
bars and scatter traces. To renew it, take the same file of a later version.
"""

import gzip
from pathlib import Path

__all__ = ["VERSION", "library_file", "library_text"]

#: Version of the library.
VERSION = "3.7.0"


def library_file() -> Path:
    """Where the library lies, compressed by gzip."""
    return Path(__file__).parent / "plotly" / "plotly-basic.min.js.gz"


def library_text() -> str:
    """The library as text to put into a page.

    Examples
    --------
    >>> f"v{VERSION}" in library_text()[:200], "</script" in library_text()
    (True, False)
    """
    return gzip.decompress(library_file().read_bytes()).decode("utf-8")
