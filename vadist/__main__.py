"""Run the command line: ``python -m vadist``."""

import sys

from vadist.cli import main

if __name__ == "__main__":
    sys.exit(main())
