"""``python -m router`` is the command ``router``."""

import sys

from router.cli import main

if __name__ == "__main__":
    sys.exit(main())
