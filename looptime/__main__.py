"""``python -m looptime`` and the command ``looptime``."""

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line and leave with its exit code."""
    from looptime.cli import run

    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
