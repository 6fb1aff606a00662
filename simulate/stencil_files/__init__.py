"""Openings from files that other programs write: SVG drawings, PNG pictures, DXF drawings.

Reading order within the folder::

    limits    what a file may cost, and how one is refused
    style     style sheets: what applies to one element
    pen       lengths, matrices, shapes as runs of lines and curves
    strokes   runs to areas: fills by their rule, strokes with their width
    svg       a drawing in SVG
    picture   a picture in PNG
    dxf       a drawing in DXF
    read      any of them, by the end of its name; its place on the plate
    store     the drawings of a case, read once and kept with it
"""
