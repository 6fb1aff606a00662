"""A run in motion: swab, current and growing depth as WebP, GIF or MP4."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.errors import Fault, InputError, ResultError
from simulate.figures.captions import current_words, time_words, with_unit
from simulate.figures.plan_view import bulk_limits, colour_bar, draw_map, plan_height, scale_bar
from simulate.figures.style import A_CM2, INK, MM, UM, check_known, new_figure, style
from simulate.files import replacing
from simulate.result.result import Result
from simulate.swab.contact_patch import contact_outline

if TYPE_CHECKING:
    from matplotlib.collections import QuadMesh
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from PIL import Image

MOVING = ("webp", "gif", "mp4")
HOLD = 250  # of each picture [ms]
LAST = 2000  # of the last one [ms]
DOTS = 110  # per inch


def animate_result(
    result: Result, folder: str | os.PathLike[str], formats: Iterable[str] = ("webp", "gif")
) -> tuple[Path, ...]:
    """Write ``run.webp``, ``run.gif`` or ``run.mp4`` into a folder, made if it is not there.

    The same result gives the same bytes, but for MP4, which an outside program writes.

    Raises
    ------
    InputError : a format is not known; the run did not follow depth or kept no maps.
    ResultError : a file cannot be written, or no program for MP4 is found.
    """
    formats = tuple(formats)
    check_known("format", formats, MOVING)
    if result.sample_depth is None or not result.sample_stop.size:
        raise InputError(Fault("did not follow depth", "a run that did", key="run"))
    coder = _coder() if "mp4" in formats else ""
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultError(f"{target}: cannot be made: {error.strerror}") from error
    pictures = list(_pictures(result))
    written = []
    for kind in formats:
        written.append(target / f"run.{kind}")
        with replacing(written[-1]) as part:
            if kind == "mp4":
                _write_mp4(coder, part, pictures)
            else:
                _write_loop(part, kind, pictures)
    return tuple(written)


def _pictures(result: Result) -> Iterator[Image.Image]:
    """One picture for each kept moment: current density above, depth below."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    assert result.sample_depth is not None
    inside = result.open_fraction > 0.0
    maps = (result.sample_density * np.float32(A_CM2), result.sample_depth * np.float32(UM))
    outline = contact_outline(result.case.swab) * MM
    outline = np.vstack([outline, outline[:1]])
    with style():
        figure, meshes, lines = _stage(result, maps, inside)
        canvas = FigureCanvasAgg(figure)
        for number, stop in enumerate(result.sample_stop):
            for mesh, values in zip(meshes, maps, strict=True):
                mesh.set_array(np.ma.masked_where(~inside, values[number]))
            place = np.array([result.swab_x[stop], result.swab_y[stop]]) * MM
            for line in lines:
                line.set_data(*(outline + place).T)
            _title(figure, _words_of(result, number))
            canvas.draw()  # type: ignore[no-untyped-call]
            pixels = np.asarray(canvas.buffer_rgba())[..., :3]  # type: ignore[no-untyped-call]
            rows, columns = (size // 2 * 2 for size in pixels.shape[:2])  # MP4 wants them even
            yield Image.fromarray(np.ascontiguousarray(pixels[:rows, :columns]))


def _stage(
    result: Result, maps: Sequence[np.ndarray], inside: np.ndarray
) -> tuple[Figure, list[QuadMesh], list[Line2D]]:
    """The two maps with their colours for the whole run, and outlines of the swab to be moved."""
    figure = new_figure(2.0 * plan_height(result) + 1.1)
    figure.set_dpi(DOTS)
    axes = figure.subplots(2, 1)
    meshes, lines = [], []
    for ax, values, label in zip(
        axes, maps, ("current density (A/cm²)", "depth (µm)"), strict=True
    ):
        ever = values[:, inside]
        meshes.append(draw_map(ax, result, values[-1], (0.0, bulk_limits(ever.max(axis=0))[1])))
        colour_bar(ax, meshes[-1], ever, label)
        ax.set(xlabel="", ylabel="", xticks=[], yticks=[])
        lines += ax.plot([], [], color="white", linewidth=2.8, zorder=5)
        lines += ax.plot([], [], color=INK, linewidth=1.3, linestyle=(0, (4, 2)), zorder=6)
    scale_bar(axes[1])
    _title(figure, " ")
    figure.draw_without_rendering()
    figure.set_layout_engine("none")  # nothing moves but what should
    return figure, meshes, lines


def _title(figure: Figure, text: str) -> None:
    figure.suptitle(text, x=0.014, ha="left", fontsize=13, fontweight="bold")


def _words_of(result: Result, number: int) -> str:
    """What a moment came to."""
    assert result.sample_depth is not None
    stop = result.sample_stop[number]
    mean = float(np.average(result.sample_depth[number], weights=result.open_area))
    moment = time_words(float(result.time[stop] + result.dwell[stop]))
    current = current_words(float(result.current[stop]))
    return f"After {moment}: {current}, {with_unit(mean, 'µm')} deep on average"


def _write_loop(path: Path, kind: str, pictures: list[Image.Image]) -> None:
    """A picture that moves in any browser and most slides."""
    from PIL.Image import Dither

    durations = [HOLD] * (len(pictures) - 1) + [LAST]
    options: dict[str, Any] = {"save_all": True, "duration": durations, "loop": 0}
    if kind == "gif":
        table = pictures[-1].quantize(256, method=1)
        frames = [picture.quantize(palette=table, dither=Dither.NONE) for picture in pictures]
        frames[0].save(path, "GIF", append_images=frames[1:], optimize=False, **options)
    else:
        pictures[0].save(path, "WEBP", append_images=pictures[1:], quality=80, method=4, **options)


def _coder() -> str:
    """The program that writes MP4: one on the path, or that of imageio-ffmpeg if installed."""
    found = shutil.which("ffmpeg")
    if found is None:
        try:
            import imageio_ffmpeg
        except ImportError as error:
            hint = "install ffmpeg, or: pip install 'swabfield[video]'"
            raise ResultError(f"no program to write MP4 with; {hint}") from error
        found = imageio_ffmpeg.get_ffmpeg_exe()
    return str(found)


def _write_mp4(coder: str, path: Path, pictures: list[Image.Image]) -> None:
    """H.264 in the layout of colours that every player takes."""
    width, height = pictures[0].size
    words = [
        *(coder, "-y", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "rgb24"),
        *("-s", f"{width}x{height}", "-r", f"{1000 / HOLD:g}", "-i", "-"),
        *("-c:v", "libx264", "-pix_fmt", "yuv420p", "-crf", "23", "-f", "mp4", str(path)),
    ]
    held = [*pictures, *[pictures[-1]] * (LAST // HOLD - 1)]
    raw = b"".join(picture.tobytes() for picture in held)
    done = subprocess.run(words, input=raw, capture_output=True, check=False)
    if done.returncode:
        reason = done.stderr.decode(errors="replace").strip().splitlines() or ["no reason given"]
        raise ResultError(f"{path.name}: could not be written as MP4: {reason[-1]}")
