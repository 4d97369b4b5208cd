"""`python -m busplay` is the command `busplay`."""

from __future__ import annotations

import sys


def run() -> None:
    """Run the command line; Ctrl-C while it loads exits with status 130."""
    try:
        from busplay.cli.main import main
    except KeyboardInterrupt:
        from busplay.cli.interrupt import say_interrupted

        sys.exit(say_interrupted())
    main()


if __name__ == "__main__":
    run()
