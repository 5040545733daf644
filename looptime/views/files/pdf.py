"""A report as PDF, printed by a browser that is on the machine."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from looptime.errors import UsageError
from looptime.files import whole_file

__all__ = ["find_browser", "print_pdf"]

_NAMES = ("chromium", "chromium-browser", "chrome", "google-chrome", "msedge", "microsoft-edge")
_FOLDERS = {
    "ProgramFiles": ("Google/Chrome/Application/chrome.exe", "Chromium/Application/chrome.exe",
                     "Microsoft/Edge/Application/msedge.exe"),
    "ProgramFiles(x86)": ("Microsoft/Edge/Application/msedge.exe",
                          "Google/Chrome/Application/chrome.exe"),
    "LOCALAPPDATA": ("Chromium/Application/chrome.exe", "Google/Chrome/Application/chrome.exe"),
}  # fmt: skip
_MAC = ("/Applications/Chromium.app/Contents/MacOS/Chromium",
        "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome")  # fmt: skip


def find_browser() -> str | None:
    """Path of a browser that can print without a window, or None."""
    for name in _NAMES:
        found = shutil.which(name)
        if found is not None:
            return found
    places = [Path(p) for p in _MAC]
    for variable, below in _FOLDERS.items():
        if os.environ.get(variable):
            places += [Path(os.environ[variable], *b.split("/")) for b in below]
    return next((str(place) for place in places if place.is_file()), None)


def print_pdf(
    html: str | os.PathLike[str], pdf: str | os.PathLike[str], browser: str | None = None,
    patience_s: float = 90.0,
) -> Path:  # fmt: skip
    """Print an HTML report to a PDF file.

    Parameters
    ----------
    html, pdf : path-like
        The report, and the file to write.
    browser : str, optional
        Path of the browser; else one is looked for.
    patience_s : float [s]
        How long it may take.

    Raises
    ------
    UsageError
        If there is no such browser, or it wrote nothing.
    """
    program = browser or find_browser()
    if program is None:
        raise UsageError(
            "--pdf needs Chromium or a browser built on it, and none was found: open the HTML "
            "report in any browser and print it to a file there"
        )
    target = Path(pdf).resolve()
    with tempfile.TemporaryDirectory(prefix="looptime-print-") as folder:
        made = Path(folder) / "report.pdf"
        command = [
            program, "--headless", "--disable-gpu", "--no-first-run", "--disable-sync",
            "--disable-background-networking", "--disable-component-update",
            f"--user-data-dir={folder}/profile", "--no-pdf-header-footer",
            "--window-size=760,1000", "--virtual-time-budget=20000", f"--print-to-pdf={made}",
            Path(html).resolve().as_uri(),
        ]  # fmt: skip
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # its sandbox refuses to run as root
        try:
            subprocess.run(command, capture_output=True, timeout=patience_s, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise UsageError(f"{program}: could not print: {type(error).__name__}") from error
        if not made.is_file() or made.stat().st_size == 0:
            raise UsageError(f"{program}: printed nothing to {target}")
        with whole_file(target, folders=True) as part:
            shutil.copyfile(made, part)
    return target
