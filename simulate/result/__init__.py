"""What a run leaves, what is measured on it, and its numerical error.

Reading order within the folder::

    grid_convergence  Richardson's extrapolation and the grid convergence index
    result            the record of a run, and its NetCDF file
    measures          evenness, edge ratio, narrow-to-wide ratio, two spots: as log ratios
    grid_error        the discretisation error of a run: the case on coarser cells
"""
