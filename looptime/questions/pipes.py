"""A log that comes through a pipe, brought into a file that can be read again and again."""

import atexit
import functools
import os
import shutil
import tempfile
import threading
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO

from looptime.errors import LogError
from looptime.files import PATIENCE_S
from looptime.questions.zips import copy

__all__ = ["kept", "of_pipe"]


def kept(stream: IO[bytes], name: str) -> Path:
    """All that comes from a stream, in a file that goes when the program ends."""
    # it is sure to go before it is there: a signal may come at any time
    folder = Path(tempfile.gettempdir(), f"looptime-piped-{os.urandom(8).hex()}")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    folder.mkdir(mode=0o700)
    place = folder / "log"
    copy(stream, place, name)
    return place


@functools.cache  # it can be read only once, and may be asked for again
def of_pipe(name: str) -> Path:
    """What comes through a pipe with a name, for as long as somebody writes into it.

    Raises
    ------
    LogError
        If nobody does.
    """
    came: SimpleQueue[int | OSError] = SimpleQueue()

    def ask() -> None:
        try:
            came.put(os.open(name, os.O_RDONLY))  # which waits for whoever writes
        except OSError as error:
            came.put(error)

    # one that still waits when the command ends is left behind
    threading.Thread(target=ask, daemon=True).start()
    try:
        handle = came.get(timeout=PATIENCE_S)
    except Empty:
        what = "is a pipe that nobody writes to: save the log to a file first"
        raise LogError(what, name) from None
    if isinstance(handle, OSError):
        raise LogError(f"cannot be read: {handle.strerror}", name)
    with os.fdopen(handle, "rb") as stream:
        return kept(stream, name)
