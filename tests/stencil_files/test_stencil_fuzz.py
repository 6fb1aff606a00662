"""Damaged and hostile stencil files: an area or one clear line, quickly and in bounded memory.

Sound files are cut, doubled, shuffled and salted with odd numbers and words, a few hundred times of
each format always and ten thousand times if asked for, in a process of their own so that its memory
can be read. The numbers come from fixed seeds.

    python tools.py test -m thorough -s    # the ten thousand; prints slowest and most memory
"""

from __future__ import annotations

import io
import re
import resource
import struct
import sys
import time
import warnings
import zlib
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import ezdxf
import numpy as np
import pytest
from PIL import Image

from simulate.errors import InputError
from simulate.stencil_files.read import place_openings, read_openings

LONGEST = 5.0  # [s] of processor time, which other programs on the machine do not lengthen
LARGEST = 1e9  # [bytes]

ODD_NUMBERS = (
    *("0", "-0", "-1", "1e9", "-1e9", "1e308", "1e999", "1e-320", "nan", "inf", "-inf", "0x1f"),
    *("99999999999999999999", "1,5", "1e", "--1", "%", "1/0", "٣", "", "4.5.6", "50%", "1e5mm"),
)
ODD_WORDS = (
    *("<g>", "</g>", "/>", "<", "&a;", "]]>", '"', "url(#a)", "url(http://x)", "none", "inherit"),
    *('<use href="#a"/>', '<use href="#e"/>', "<text>a</text>", '<svg width="1mm">', "<!--"),
    *("<!DOCTYPE svg [<!ENTITY a 'b'>]>", "\0", "\ufeff", "\u202e", "\ud7ff", "M0 0", "z", "A1 1"),
    *("transform", "scale(1e9)", "matrix(0 0 0 0 0 0)", "rotate(1e300)", "SECTION", "ENDSEC"),
    *("BLOCK", "INSERT", "LWPOLYLINE", "SPLINE", "HATCH", "  0\nCIRCLE\n", "POLYLINE", "EOF"),
)


def sound_svg() -> list[bytes]:
    """Drawings that use everything the reader knows."""
    head = 'xmlns="http://www.w3.org/2000/svg" width="50mm" height="25mm" viewBox="0 0 50 25"'
    body = (
        "<style>.s{fill:none;stroke:red;stroke-width:.4} #a{fill-rule:evenodd}</style><defs>"
        '<path id="a" d="M1 1h6v6h-6z M2 2h2v2h-2z"/><g id="e"><circle r="2" cx="5" cy="5"/></g>'
        '</defs><g transform="translate(3,2) rotate(10)"><use href="#a" x="2" y="1"/>'
        '<path class="s" stroke-linejoin="round" d="M10 5c1 2 3 4 5 1s2-3 4 0q1 2 3 1t2 2"/></g>'
        '<ellipse cx="30" cy="9" rx="4" ry="2" transform="skewX(10)"/><use href="#e"/>'
        '<path d="M20 15a3 2 30 1 0 4 1z"/><polygon points="30,15 34,16 31,19"/>'
        '<rect x="36" y="14" width="4mm" height="10%" rx="0.3"/><polyline points="1,20 4,22 6,20"'
        ' fill="none" stroke="blue" stroke-linecap="square"/><line x1="9" y1="20" x2="14" y2="23"'
        ' style="stroke:green;stroke-width:0.5mm"/>'
    )
    plain = '<rect width="4" height="3" x="1" y="1"/><circle cx="9" cy="9" r="3" fill="none" '
    return [
        f"<svg {head}>{body}</svg>".encode(),
        f'<?xml version="1.0"?><svg {head}>{plain}stroke="red"/></svg>'.encode(),
    ]


def sound_png() -> list[bytes]:
    """Small pictures of several kinds."""
    y, x = np.mgrid[:24, :30]
    grey = (255 * np.clip(np.hypot(x - 14, y - 11) - 7.5, 0, 1)).astype(np.uint8)
    found = []
    for mode in ("L", "RGBA", "P", "1"):
        stream = io.BytesIO()
        Image.fromarray(grey).convert(mode).save(stream, "png")
        found.append(stream.getvalue())
    return found


def sound_dxf() -> list[bytes]:
    """One drawing with every kind of outline, in an old and in a newer form."""
    found = []
    for version in ("R2000", "R2010"):
        document = ezdxf.new(version)
        document.header["$INSUNITS"] = 4
        space = document.modelspace()
        space.add_circle((10, 10), 5)
        space.add_arc((0, 0), 2, 0, 180)
        space.add_line((-2, 0), (2, 0))
        space.add_polyline2d([(1, -9, 1), (-1, -9, 1)], format="xyb", close=True)
        block = document.blocks.new("B")
        block.add_circle((0, 0), 1)
        space.add_blockref("B", (30, 5), dxfattribs={"xscale": 2})
        if version != "R2000":
            space.add_lwpolyline([(20, 0, 0.5), (25, 0, 0), (22, 4, 0)], format="xyb", close=True)
            space.add_ellipse((60, 0), (3, 0), 0.5)
            space.add_hatch().paths.add_polyline_path([(40, 0), (45, 0), (45, 5)])
            curve = space.add_spline()
            curve.control_points = [(0, 20, 0), (4, 20, 0), (4, 23, 0), (0, 20, 0)]
            curve.knots = [0, 0, 0, 0, 1, 1, 1, 1]
        stream = io.StringIO()
        document.write(stream)
        found.append(stream.getvalue().encode())
    return found


SOUND = {"svg": sound_svg, "png": sound_png, "dxf": sound_dxf}


def damaged(content: bytes, kind: str, dice: np.random.Generator) -> bytes:
    """One to four small catastrophes."""
    for _ in range(dice.integers(1, 5)):
        a, b = sorted(dice.integers(0, len(content) + 1, 2).tolist())
        b = min(b, a + int(dice.choice([1, 4, 40, 400])))
        way = dice.integers(0, 9) if kind == "png" or dice.random() < 0.3 else 6
        if way == 0:  # bytes changed
            content = content[:a] + dice.bytes(b - a) + content[b:]
        elif way == 1:  # a part lost
            content = content[:a] + content[b:]
        elif way == 2:  # a part doubled, or many times
            content = content[:b] + content[a:b] * int(dice.choice([1, 2, 50])) + content[b:]
        elif way == 3:  # a part moved
            content = content[:a] + content[b:] + content[a:b]
        elif way == 4 and dice.random() < 0.3:  # the end lost
            content = content[:a]
        elif kind == "png":
            content = rewritten_chunk(content, dice)
        elif way in (5, 6):
            content = salted(content, rb"-?\d+\.?\d*", ODD_NUMBERS, dice)
        elif way == 7:
            content = salted(content, rb"[A-Za-z]{2,}", ODD_WORDS, dice)
        else:
            word = str(dice.choice(ODD_WORDS)).encode("utf-8", "surrogatepass")
            content = content[:a] + word + content[a:]
    return content


def salted(
    content: bytes, pattern: bytes, odd: tuple[str, ...], dice: np.random.Generator
) -> bytes:
    """One match of a pattern replaced by something odd."""
    places = list(re.finditer(pattern, content))
    if not places:
        return content
    place = places[dice.integers(0, len(places))]
    word = odd[dice.integers(0, len(odd))].encode("utf-8", "surrogatepass")
    return content[: place.start()] + word + content[place.end() :]


def rewritten_chunk(content: bytes, dice: np.random.Generator) -> bytes:
    """A PNG with one chunk changed and its check sum made right again."""
    chunks, place = [], 8
    while place + 12 <= len(content):
        (size,) = struct.unpack(">I", content[place : place + 4])
        chunks.append((content[place + 4 : place + 8], content[place + 8 : place + 8 + size]))
        place += 12 + size
    if not chunks:
        return content
    k = int(dice.integers(0, len(chunks)))
    name, body = chunks[k]
    if name == b"IDAT" and dice.random() < 0.5:
        body = zlib.compress(dice.bytes(int(dice.integers(0, 5000))))
    elif body:
        at = int(dice.integers(0, len(body)))
        body = body[:at] + dice.bytes(int(dice.integers(1, 5))) + body[at + 1 :]
    chunks[k] = (name, body)
    return content[:8] + b"".join(
        struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        for name, body in chunks
    )


def drawing(body: str) -> bytes:
    head = 'xmlns="http://www.w3.org/2000/svg" width="50mm" height="25mm" viewBox="0 0 50 25"'
    return f"<svg {head}>{body}</svg>".encode()


def walk(count: int, step: float, look: str) -> bytes:
    """A line that wanders over the page."""
    dice = np.random.default_rng(77)
    places = np.mod(np.cumsum(dice.normal(0, step, (count, 2)), axis=0), 24)
    points = " ".join(f"{x:.3f},{y:.3f}" for x, y in places)
    return drawing(f'<polyline {look} points="{points}"/>')


def small_squares(count: int) -> str:
    return " ".join(f"M{k % 80 * 0.6:.1f} {k // 80 * 0.4:.1f}h.3v.2h-.3z" for k in range(count))


def grey_png(rows: int, columns: int, side: int, gap: int) -> bytes:
    """Dark squares on a light ground."""
    y, x = np.mgrid[:rows, :columns]
    dark = (x % (side + gap) < side) & (y % (side + gap) < side)
    stream = io.BytesIO()
    Image.fromarray(np.where(dark, 0, 255).astype(np.uint8)).save(stream, "png")
    return stream.getvalue()


STROKE = 'fill="none" stroke="red" stroke-linejoin="round" stroke-width='
COSTLY = {  # near a limit, or made to be slow: a kind and a way to make the file
    "many shapes": ("svg", lambda: drawing('<rect width=".4" height=".1"/>' * 2450)),
    "many circles": ("svg", lambda: drawing('<circle r="1"/>' * 2450)),
    "many outlines": ("svg", lambda: drawing(f'<path d="{small_squares(2450)}"/>')),
    "too many outlines": ("svg", lambda: drawing(f'<path d="{small_squares(20000)}"/>')),
    "long wide stroke": ("svg", lambda: walk(2000, 0.5, STROKE + '"0.3"')),
    "long thin stroke": ("svg", lambda: walk(6000, 0.5, STROKE + '"0.01"')),
    "tangled fill": ("svg", lambda: walk(9000, 0.05, "")),
    "long curve": ("svg", lambda: drawing('<path d="M0 0' + "c.1.2.2-.1.01 0" * 60000 + '"/>')),
    "unclosed comments": ("svg", lambda: drawing("<style>" + "/*" * 400000 + "</style>")),
    "unclosed rules": ("svg", lambda: drawing("<style>" + "a" * 900000 + "</style>")),
    "long transform": (
        "svg",
        lambda: drawing(
            '<g transform="' + "scale(1)" * 90000 + '">' + '<circle r="1"/>' * 500 + "</g>"
        ),
    ),
    "long number": ("svg", lambda: drawing(f'<polygon points="{"1" * 900000}"/>')),
    "long letters": ("svg", lambda: drawing(f'<path d="M0 0{"q " * 400000}"/>')),
    "large picture": ("png", lambda: grey_png(2000, 2990, 300, 60)),
    "dotted picture": ("png", lambda: grey_png(2000, 2990, 8, 40)),
    "checked picture": ("png", lambda: grey_png(800, 800, 10, 10)),
    "many records": ("dxf", lambda: b"  0\nSECTION\n  2\nENTITIES\n" + b"  0\nPOINT\n" * 150000),
    "one long record": (
        "dxf",
        lambda: sound_dxf()[0].replace(b"CIRCLE\n", b"CIRCLE\n" + b" 39\n1.0\n" * 250000, 1),
    ),
}


def strain(names: list[str]) -> dict[str, object]:
    """Read the costly files; seconds of each that took too long, and the most memory [bytes]."""
    slow, wrong, slowest = {}, [], 0.0
    with TemporaryDirectory() as folder:
        for name in names:
            kind, make = COSTLY[name]
            path = Path(folder) / f"mark.{kind}"
            path.write_bytes(make())
            start = time.process_time()
            try:
                place_openings(read_openings(path, pixel=1e-5), 0.0, 0.0)
            except InputError:
                pass
            except BaseException as error:
                wrong.append(f"{name}: {type(error).__name__}: {error}")
            spent = time.process_time() - start
            slowest = max(slowest, spent)
            if spent > LONGEST:
                slow[name] = spent
    return {"slow": slow, "wrong": wrong, "slowest": slowest, "peak": peak_memory()}


def peak_memory() -> float:
    """The most memory this process has held [bytes].

    On Linux ru_maxrss also remembers the parent, before this program was loaded; VmHWM does not.
    """
    status = Path("/proc/self/status")
    if status.exists():
        return 1024.0 * int(re.search(r"VmHWM:\s+(\d+) kB", status.read_text())[1])
    unit = 1 if sys.platform == "darwin" else 1024
    return float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit)


def hammer(kind: str, first: int, count: int) -> dict[str, object]:
    """Read ``count`` damaged files; what went wrong, the slowest, and the most memory [bytes]."""
    warnings.simplefilter("error")
    wrong, slowest, read = [], 0.0, 0
    sound = SOUND[kind]()
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"mark.{kind}"
        for seed in range(first, first + count):
            dice = np.random.default_rng([20811, seed])
            path.write_bytes(damaged(sound[seed % len(sound)], kind, dice))
            width = 0.02 if seed % 3 == 0 else None
            start = time.process_time()
            try:
                area = read_openings(path, width=width, pixel=1e-4)
                if not (area.is_valid and area.area > 0.0):
                    wrong.append(f"{kind} {seed}: an area that is not sound")
                place_openings(area, 0.0, 0.0)
                read += 1
            except InputError as error:
                line = str(error)
                if not line.startswith(path.name + ": ") or "\n" in line or len(line) > 400:
                    wrong.append(f"{kind} {seed}: {line!r}")
            except BaseException as error:
                wrong.append(f"{kind} {seed}: {type(error).__name__}: {error}")
            slowest = max(slowest, time.process_time() - start)
    return {"wrong": wrong, "slowest": slowest, "peak": peak_memory(), "read": read}


def apart(work, *arguments) -> dict[str, object]:
    """The same in a process of its own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(work, *arguments).result()


def check(found: dict[str, object], count: int) -> None:
    assert found["wrong"] == []
    assert found["slowest"] < LONGEST
    assert found["peak"] < LARGEST
    assert 0.02 * count < found["read"] < 0.98 * count  # some still read: the damage is not blunt


@pytest.mark.parametrize("kind", SOUND)
def test_sound_files_are_read(tmp_path, kind):
    for content in SOUND[kind]():
        path = tmp_path / f"mark.{kind}"
        path.write_bytes(content)
        assert read_openings(path, pixel=1e-4).area > 1e-6


FEW = {"svg": 300, "png": 300, "dxf": 150}
"""Damaged files of each format in every run of the tests."""


@pytest.mark.parametrize("kind", SOUND)
def test_damaged_files_are_read_or_refused_in_one_line(kind):
    check(apart(hammer, kind, 0, FEW[kind]), FEW[kind])


@pytest.mark.parametrize("kind", SOUND)
def test_the_few_are_damaged_in_every_way_that_the_many_are(kind):
    """The ways of the first seeds, for each format, against those of the ten thousand."""
    assert ways(kind, range(FEW[kind])) >= ways(kind, range(1000, 4400))


def ways(kind, seeds):
    """Kinds of damage that come up in some seeds: what is drawn in `damaged` for its first step."""
    found = set()
    for seed in seeds:
        dice = np.random.default_rng([20811, seed])
        dice.integers(1, 5)
        dice.integers(0, 2, 2)
        dice.choice([1, 4, 40, 400])
        found.add(int(dice.integers(0, 9)) if kind == "png" or dice.random() < 0.3 else 6)
    return found


def tell(what, found):
    """For a person who runs this with -s."""
    words = f"{what}: slowest {found['slowest']:.2f} s, {found['peak'] / 1e6:.0f} MB at most"
    print(words)  # noqa: T201


LONG = ("checked", "long curve", "long transform", "many circles", "many outlines", "many shapes")
LONG += ("one long record", "too many outlines")
"""Costly files that take a second or more each, or begin like one that does."""


def test_costly_files_are_read_or_refused_in_time_and_memory():
    check_costly([name for name in COSTLY if not name.startswith(LONG)])


@pytest.mark.slow
@pytest.mark.thorough
def test_the_costliest_files_are_read_or_refused_in_time_and_memory():
    check_costly([name for name in COSTLY if name.startswith(LONG)])


def check_costly(names):
    assert len(names) >= 8
    found = apart(strain, sorted(names))
    assert found["wrong"] == []
    assert found["slow"] == {}
    assert found["peak"] < LARGEST
    tell("costly", found)


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("kind", SOUND)
def test_ten_thousand_damaged_files_are_read_or_refused_in_one_line(kind):
    found = apart(hammer, kind, 1000, 3400)
    check(found, 3400)
    tell(f"{kind}, {found['read']} of 3400 read", found)
