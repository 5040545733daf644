"""``python -m looptime`` and the command ``looptime``."""

import gc
import os
import sys
import warnings
from pathlib import Path

__all__ = ["main"]


def main() -> None:
    """Run the command line and leave with its exit code."""
    gc.set_threshold(400_000)  # loading the modules makes many objects and hardly any garbage
    # columns are filled once: to clear them in huge pages, put together first, takes longer
    os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
    # there are no large products of matrices: more threads would only wait for work
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # what a library warns of is for whoever writes this program: its users are told in its words
    os.environ.setdefault("PYTHONWARNINGS", "ignore")  # of the processes that it starts
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:  # closed by whoever started the program
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115
    try:
        from looptime.cli import run

        code = run(sys.argv[1:])
    except KeyboardInterrupt:  # before the command line is there to say it
        sys.stderr.write("looptime: interrupted\n")
        code = 130
    gc.freeze()  # all goes with the process: no need to sift it once more
    sys.exit(code)


if __name__ == "__main__":
    main()
