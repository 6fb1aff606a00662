"""One case over many values.

Reading order within the folder::

    axes   what a sweep varies, and the points that makes
    table  what a sweep leaves: rows, table, chart, file
    run    many cases over processes or a cluster
"""
