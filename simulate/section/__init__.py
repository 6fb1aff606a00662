"""The field in a plane under the swab, and metal that dissolves in it.

Reading order within the folder::

    current_lines  stream function: lines of equal current
    solve          the field in a section
    wall_curve     a wall as a spline through points in order
    cut_cells      Cartesian cells cut by walls
    upper_part     what stands above a wall, reduced to its ports
    wall_field     potentials, polarisation at the walls and circuit together
    wall_density   current density along a wall, from what cut links carry
    moving_wall    steps of a wall that dissolves
"""
