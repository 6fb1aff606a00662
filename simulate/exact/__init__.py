"""Exact solutions, for checks and for teaching.

All are for a uniform or layered electrolyte obeying ``div(kappa grad phi) = 0``. Coordinates and
results are SI; a *profile* is the local current density over its mean on the electrode [-], and a
*cumulative current* is the fraction of the total current inside a radius or half-width [-].
Resistances of planar cells are per metre of depth, ``[ohm m]``. Sources marked (memory) were cited
without the page being seen; each formula is checked numerically in ``tests/exact/``.

Reading order within the folder::

    planar          plane cells with layers and with kinetics
    bodies          cylinders, spheres, disks, ellipses
    corners         corners and wedges
    moving_patch    a patch of uniform flux, at rest and moving
    conformal_maps  strips, channels, the Hull cell
    recess          openings in a mask, and electrodes with linear kinetics, to many digits
"""
