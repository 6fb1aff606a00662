"""Exact solutions, for checks and for teaching.

Reading order within the folder::

    closed_forms    planes, cylinders, spheres, disks, corners, a moving patch
    conformal_maps  strips, channels, the Hull cell
    recess          openings in a mask, and electrodes with linear kinetics, to many digits
"""
