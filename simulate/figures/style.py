"""The look of every figure, and its file.

`style.mplstyle` beside this file is loaded for the time of drawing only: matplotlib's settings
outside are left as they are.
"""

from __future__ import annotations

import contextlib
import functools
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec

from simulate.errors import Fault, InputError
from simulate.files import replacing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STYLE = Path(__file__).with_name("style.mplstyle")
WIDTH = 6.4  # of every figure [in]
FORMATS = ("png", "svg", "pdf")

INK, SOFT_INK, MASK, METAL = "#222222", "#555555", "#f1efe9", "#b9bcc0"
BLUE, OCHRE, RED = "#1b3a6b", "#c8741a", "#c8321a"
MM, UM, A_CM2 = 1e3, 1e6, 1e-4  # from SI to the drawn unit

_Given = ParamSpec("_Given")

# Settings that are no matter of style: changing them could disturb the program around us.
_NOT_STYLE = frozenset({"date.epoch", "interactive", "timezone", "toolbar", "webagg.port"})


@contextlib.contextmanager
def style() -> Iterator[None]:
    """matplotlib's own defaults with `STYLE` on top, whatever the user has set; then as before."""
    import matplotlib as mpl

    with mpl.rc_context(_settings()):
        yield


@functools.cache
def _settings() -> Any:
    import matplotlib as mpl

    settings = {
        key: value
        for key, value in mpl.rcParamsDefault.items()
        if not key.startswith("backend") and key not in _NOT_STYLE
    }
    return settings | dict(mpl.rc_params_from_file(STYLE, use_default_template=False))


def get_ready() -> None:
    """Load what the first figure needs, ahead of it: fonts, ways of writing and all."""
    import io

    import scipy.ndimage  # noqa: F401
    from matplotlib.figure import Figure as NewFigure

    with style():
        figure = NewFigure(figsize=(1.0, 1.0), layout="constrained")
        ax = figure.subplots()
        mesh = ax.pcolormesh([[0.0, 1.0], [1.0, 2.0]], rasterized=True)
        ax.contour([[0.0, 1.0], [1.0, 2.0]])
        figure.colorbar(mesh, ax=ax, label="µ")
        for kind in ("png", "svg"):
            figure.savefig(io.BytesIO(), format=kind)


def styled(draw: Callable[_Given, Figure]) -> Callable[_Given, Figure]:
    """Let a function that makes a figure run in `style`."""

    @functools.wraps(draw)
    def in_style(*args: _Given.args, **kwargs: _Given.kwargs) -> Figure:
        with style():
            return draw(*args, **kwargs)

    return in_style


def new_figure(height: float) -> Figure:
    """An empty figure of the common width and a height [in], laid out without overlaps."""
    from matplotlib.figure import Figure as NewFigure

    return NewFigure(figsize=(WIDTH, height), layout="constrained")


def lay_out(figure: Figure) -> None:
    """Put everything in a figure where it will be drawn, as its next drawing would."""
    engine = figure.get_layout_engine()
    if engine is not None:
        engine.execute(figure)


def save_figure(figure: Figure, path: str | os.PathLike[str], *, outlines: bool = False) -> None:
    """Write a figure in the format its file name's ending says, one of `FORMATS`.

    The same figure gives the same bytes: no date goes in. Title and caption go in as metadata,
    for readers that cannot see the picture.

    Parameters
    ----------
    figure : what to write.
    path : where.
    outlines : turn text in SVG into outlines, which look alike everywhere; otherwise it stays
        text, which can be searched, read aloud and edited, in the reader's fonts. In PDF it is
        always text, its fonts within.

    Raises
    ------
    InputError
        If the ending is none of `FORMATS`.
    ResultError
        If the file cannot be written.
    """
    import matplotlib as mpl

    kind = Path(path).suffix.lstrip(".")
    check_known("format", (kind,), FORMATS)
    title = " ".join(figure.get_suptitle().split())
    caption = " ".join(figure.get_supxlabel().split())
    metadata = {
        "png": {"Title": title, "Description": caption, "Software": None},
        "svg": {"Title": title, "Description": caption, "Date": None},
        "pdf": {"Title": title, "Subject": caption, "CreationDate": None},
    }[kind]
    with style(), replacing(path) as part:
        mpl.rcParams["svg.fonttype"] = "path" if outlines else "none"
        figure.savefig(part, format=kind, metadata=metadata)


def check_known(key: str, given: Iterable[str], known: Iterable[str]) -> None:
    """Raise InputError with every given name that is not known."""
    known = tuple(known)
    faults = [
        Fault("not known", "one of " + ", ".join(known), key=key, value=name or "(none)")
        for name in given
        if name not in known
    ]
    if faults:
        raise InputError(faults)
