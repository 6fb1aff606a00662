"""What make does, for machines with and without it: ``python tools.py demo``, ``test``, ``check``.

Needs Python 3.11 or newer and nothing else; everything is put into ``.venv`` beside this file.

    demo    etch the demo case and say where its depth map lies
    test    run the tests, a file on each processor; words after it go to pytest
    check   style and types
    gallery make the pictures in README.md anew, after a case or the model has changed
    lesson  make the lesson sheet anew from its runs
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
HOME = ROOT / ".venv"
PYTHON = HOME / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
DEMO = "cases/garden_tag.toml"
RUN = "runs/garden_tag"
DEPTH_MAP = f"{RUN}/figures/depth_map.png"


def run(*words: str) -> None:
    """Run the environment's Python from the project's folder; stop where it stops."""
    status = subprocess.run([str(PYTHON), *words], cwd=ROOT, check=False).returncode
    if status:
        sys.exit(status)


def set_up(extra: str) -> None:
    """Make the environment or bring it up to date, unless it holds what is asked for already."""
    wanted = (ROOT / "pyproject.toml").read_bytes() + (ROOT / "constraints.txt").read_bytes()
    digest = hashlib.sha256(wanted).hexdigest()
    stamp = HOME / f".installed{extra}"
    names = set(extra.strip("[]").split(",")) - {""}
    for other in HOME.glob(".installed*"):  # one that holds as much or more will do
        held = set(other.name.removeprefix(".installed").strip("[]").split(","))
        if PYTHON.exists() and names <= held and other.read_text() == digest:
            return
    if not PYTHON.exists():
        import venv

        print(f"making {HOME.name}, once; this takes a minute or two", flush=True)
        venv.create(HOME, with_pip=True)
    run("-m", "pip", "install", "--quiet", "-c", "constraints.txt", "-e", f".{extra}")
    stamp.write_text(digest)


def demo() -> None:
    """Etch the demo case and say where its depth map lies."""
    set_up("")
    run("-m", "simulate", "etch", DEMO, "--out", RUN, "--force", *sys.argv[2:])
    print(f"\nThe depth map: {DEPTH_MAP}")


def test() -> None:
    """Run the tests; those in a browser too, where the machine has Chromium."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    extras = ["dev", "page-test"] if browser else ["dev"]
    if os.environ.get("SWABFIELD_VTK_TESTS") == "required":
        extras.append("vtk-test")
    set_up(f"[{','.join(extras)}]")
    side_by_side = [] if "-n" in sys.argv else ["-n", "auto", "--dist", "loadfile"]
    run("-m", "pytest", *side_by_side, *sys.argv[2:])


def check() -> None:
    """Look at style and types."""
    set_up("[dev]")
    run("-m", "ruff", "check")
    run("-m", "ruff", "format", "--check")
    run("-m", "mypy")


def gallery() -> None:
    """Run the cases and keep their figures as small pictures."""
    set_up("")
    run("cases/gallery/make_gallery.py")


def lesson() -> None:
    """Run the lesson's plate and fill its numbers into the sheet."""
    set_up("")
    run("cases/lesson/make_sheet.py")


TASKS = {
    "demo": demo,
    "test": test,
    "check": check,
    "gallery": gallery,
    "lesson": lesson,
}


def main() -> None:
    """Read the first word of the command line."""
    if sys.version_info < (3, 11):  # noqa: UP036 - this file meets old interpreters too
        sys.exit(f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}")
    task = TASKS.get(sys.argv[1] if len(sys.argv) > 1 else "")
    if task is None:
        sys.exit(f"usage: python tools.py {' | '.join(TASKS)}")
    task()


if __name__ == "__main__":
    main()
