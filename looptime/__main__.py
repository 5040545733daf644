"""``python -m looptime`` and the command ``looptime``."""

import contextlib
import gc
import os
import re
import signal
import sys
import warnings
from pathlib import Path

__all__ = ["main"]

#: What versions of numpy call the instructions of AVX-512.
_SLOW_WAYS = "X86_V4 AVX512F AVX512CD AVX512_SKX AVX512_CLX AVX512_CNL AVX512_ICL"

#: Size of a log from which freed memory is kept, and how much of it [bytes].
_LARGE, _KEPT = 1 << 28, 1 << 30
_MMAP_THRESHOLD, _TRIM_THRESHOLD = -3, -1


def _stop_as_ctrl_c_does() -> None:
    """Whoever ends this process, what it put among the temporary files goes with it."""
    ends = [signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
    ends = [one for one in ends if signal.getsignal(one) is signal.SIG_DFL]
    for one in ends:
        signal.signal(one, signal.default_int_handler)
    if hasattr(os, "register_at_fork"):  # workers leave nothing behind, and end at once
        os.register_at_fork(
            after_in_child=lambda: [signal.signal(one, signal.SIG_DFL) for one in ends]
        )


def _select_quickly() -> None:
    """Have numpy sort and select as on a processor without AVX-512, where that is the quicker way.

    Processors of one family carry out the instruction that these rest on word by word: a median of
    13,000 loops then takes 0.13 ms instead of 0.02. Values are the same either way. It has to be
    said before numpy is loaded; names that a version of numpy does not know are left alone by it.
    """
    about = os.environ.get("PROCESSOR_IDENTIFIER", "")  # where there is no such file
    with contextlib.suppress(OSError), Path("/proc/cpuinfo").open(encoding="utf-8") as file:
        about = file.read(200)
    if "AuthenticAMD" in about and re.search(r"[Ff]amily\s*:?\s*25\b", about):
        os.environ.setdefault("NPY_DISABLE_CPU_FEATURES", _SLOW_WAYS)


def _keep_freed_memory(words: list[str]) -> None:
    """Have freed memory handed out again where a large log is to be read, not given back at once.

    Else the system clears the pages of each large array anew: for 50 million rows, a sixth of the
    time. C libraries without such a switch, which glibc has, are left as they are.
    """
    with contextlib.suppress(AttributeError, OSError, TypeError, ValueError):
        if any(Path(word).stat().st_size > _LARGE for word in words if Path(word).is_file()):
            import ctypes

            for option in (_MMAP_THRESHOLD, _TRIM_THRESHOLD):
                ctypes.CDLL(None).mallopt(option, _KEPT)


def main() -> None:
    """Run the command line and leave with its exit code."""
    _stop_as_ctrl_c_does()
    gc.set_threshold(400_000)  # loading the modules makes many objects and hardly any garbage
    # columns are filled once: to clear them in huge pages, put together first, takes longer
    os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
    # there are no large products of matrices: more threads would only wait for work
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # what a library warns of is for whoever writes this program: its users are told in its words
    os.environ.setdefault("PYTHONWARNINGS", "ignore")  # of the processes that it starts
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
        _select_quickly()  # of names that it does not know, numpy would warn
    _keep_freed_memory(sys.argv[1:])
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
