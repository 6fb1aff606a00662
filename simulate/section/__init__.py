"""The field in a plane under the swab, and metal that dissolves in it.

Reading order within the folder::

    line             a line across the plate through the swab, and what stands on it
    current_lines    stream function: lines of equal current
    solve            the field in a section
    wall_curve       a wall as a spline through points in order
    cut_cells        Cartesian cells cut by walls
    upper_part       what stands above a wall, reduced to its ports
    electrode_links  what links to electrodes carry, in two forms
    wall_newton      Newton's method for potentials, polarisation at walls and circuit
    wall_field       the field in a cut network
    wall_density     current density along a wall, from what cut links carry
    moving_wall      steps of a wall that dissolves
    dig              cells and circuit, openings, lips of the mask, thickness of the metal
    axes             cells that are fine where the wall will be
    opening          a stand-alone slot or round hole in a mask
    case_dig         the section through a line of a case, to be dug
    cavity_numbers   depth, undercut, etch factor, floor, wall angle, widths, bridge
    growth_ends      ends of a growing section, and when they are reached
    grow             a section that is etched, from its first step to its end
    grow_section     a stand-alone opening, or a line of a case, etched
"""
