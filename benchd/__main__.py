"""Runs benchd as `python -m benchd`."""

import sys

from benchd.cli import main

if __name__ == "__main__":
    sys.exit(main())
