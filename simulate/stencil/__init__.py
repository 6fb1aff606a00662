"""Openings in the mask.

Reading order within the folder::

    outlines    curves and letters to areas
    shapes      shapes of openings
    measure     open area fraction of cells, distance to the rim, local and mean width
    weak_spots  what falls out of a stencil, tears or stays dry
"""
