"""``python -m simulate`` is the command ``swabfield``."""

from __future__ import annotations

import sys

from simulate.cli import main

if __name__ == "__main__":
    sys.exit(main())
