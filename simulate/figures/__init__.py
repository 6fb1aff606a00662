"""Figures of a result.

Reading order within the folder::

    style     the look of every figure, and its file
    plan      the plate from above: map, openings, colour bar, scale bar
    wording   titles and captions, made from the numbers
    shape     swab and cathode cut by a plane
    reactions  half-reactions at plate and cathode, in words
    cutting   a stencil before it is cut: openings, islands, thin places
    maps      depth of etch; current density at one stop
    moments   current density at several moments on one scale
    profile   depth along a line
    cell_parts  plate, mask, swab, battery and wires as shapes
    cell      the cell to scale, with battery, electrons, ions and half-reactions
    exact     depth across one opening, with the exact solution over it
    row       contact time, crowding and depth side by side
    history   current, voltage, temperature and acid against time
    schedule  a dwell plan: before, after, seconds on each piece
    design_chart  one number of a sweep against what is varied
    stored_chart  the same for a sweep on the disk
    causes    shares of the causes; factor maps
    beside    several results on one scale, and their profiles
    under_swab  a section under the swab: equipotentials and lines of equal current
    moving    swab, current and growing depth as WebP, GIF, MP4
    gallery   all of them by name

Each figure is a function that returns a matplotlib ``Figure``: no pyplot, and no setting left
changed behind it. Colours are monotone in lightness, so that they survive a black-and-white
printer and colour blindness. The names below are handed on from `gallery`.
"""

from simulate.figures.gallery import FIGURES, draw_result

__all__ = ["FIGURES", "draw_result"]
