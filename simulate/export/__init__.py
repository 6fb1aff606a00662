"""Results for other programs.

Reading order within the folder::

    tables    comma-separated values, and a picture of grey levels
    surfaces  the etched surface: VTU, STL, PLY
    vtk       structured cells, time series, fields
    kinds     every kind of export by name
"""
