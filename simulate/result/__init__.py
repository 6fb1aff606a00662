"""What a run leaves, what is measured on it, and its numerical error.

Reading order within the folder::

    grid_convergence  Richardson's extrapolation and the grid convergence index
    measures          evenness and edge ratio of a depth map
    result            the record of a run, and the numbers it sums up to
    netcdf            its NetCDF file, written and read
    grid_error        the discretisation error of a run: the case on coarser cells
"""
