"""The Makefile's targets for machines without make: ``python tools.py demo`` or ``test``.

Needs Python 3.11 or newer and nothing else; everything is put into ``.venv`` beside this file.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent
HOME = ROOT / ".venv"
PYTHON = HOME / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
DEMO = "cases/garden_tag.toml"
RUN = "runs/garden_tag"


def run(*words: str) -> None:
    """Run the environment's Python from the project's folder; stop where it stops."""
    status = subprocess.run([str(PYTHON), *words], cwd=ROOT, check=False).returncode
    if status:
        sys.exit(status)


def set_up(extra: str) -> None:
    """Make the environment, or bring it up to date, unless it is what was asked for already."""
    wanted = (ROOT / "pyproject.toml").read_bytes() + (ROOT / "constraints.txt").read_bytes()
    digest = hashlib.sha256(wanted).hexdigest()
    stamp = HOME / f".installed{extra}"
    if PYTHON.exists() and stamp.exists() and stamp.read_text(encoding="ascii") == digest:
        return
    if not PYTHON.exists():
        venv.create(HOME, with_pip=True)
    run("-m", "pip", "install", "--quiet", "-c", "constraints.txt", "-e", f".{extra}")
    stamp.write_text(digest, encoding="ascii")


def demo() -> None:
    """Etch the demo case and say where its depth map lies."""
    set_up("")
    run("-m", "simulate", "etch", DEMO, "--out", RUN, "--force")


def test() -> None:
    """Run the test suite."""
    set_up("[dev]")
    run("-m", "pytest", *sys.argv[2:])


def main() -> None:
    """Read the one word of the command line."""
    if sys.version_info < (3, 11):
        sys.exit(f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}")
    task = {"demo": demo, "test": test}.get(sys.argv[1] if len(sys.argv) > 1 else "")
    if task is None:
        sys.exit("usage: python tools.py demo | test")
    task()


if __name__ == "__main__":
    main()
