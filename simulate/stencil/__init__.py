"""Openings in the mask.

Reading order within the folder::

    outlines    curves and letters to areas
    shapes      shapes of openings, and the open fraction of given cells
    weak_spots  what falls out of a stencil, tears or stays dry
"""
