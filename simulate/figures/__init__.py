"""Figures of a result.

Reading order within the folder::

    style             the look of every figure, and its file
    plan_view         the plate from above: map, openings, colour bar, scale bar
    captions          titles and captions, made from the numbers
    swab_outline      swab and cathode cut by a plane
    reactions         half-reactions at plate and cathode, in words
    stencil_check     a stencil before it is cut: openings, islands, thin places
    depth_map         depth of etch; current density at one stop
    snapshots         current density at several moments on one scale
    profile           depth along a line
    cell_bodies       plate, mask, swab, battery and wires as shapes
    cell              the cell to scale, with battery, electrons, ions and half-reactions
    exact_profile     depth across one opening, with the exact solution over it
    map_row           contact time, crowding and depth side by side
    history           current, voltage, temperature and acid against time
    schedule          a dwell plan: before, after, seconds on each piece
    design_chart      one number of a sweep against what is varied
    causes            shares of the causes; factor maps
    comparison        several results on one scale, and their profiles
    section_view      a section under the swab: equipotentials and lines of equal current
    animation         swab, current and growing depth as WebP, GIF, MP4
    gallery           all of them by name

Each figure is a function that returns a matplotlib ``Figure``: no pyplot, and no setting left
changed behind it. Colours are monotone in lightness, so that they survive a black-and-white
printer and colour blindness. The names below are the folder's face.
"""

from simulate.figures.design_chart import draw_sweep
from simulate.figures.gallery import FIGURES, draw_comparison, draw_explanation, draw_result
from simulate.figures.schedule import draw_plan

__all__ = [
    "FIGURES",
    "draw_comparison",
    "draw_explanation",
    "draw_plan",
    "draw_result",
    "draw_sweep",
]
