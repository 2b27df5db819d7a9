"""`python -m pipeline` is the command `strideledger`."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command; Ctrl-C ends it quietly also while it is still being loaded."""
    try:
        from pipeline.cli import main as command

        command()
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
