"""One case over many values.

Reading order within the folder::

    axes   what a sweep varies, and the points that makes
    table  what a sweep leaves: rows and their table
    file   its NetCDF file, written and read
    run    many cases over processes or a cluster
"""
