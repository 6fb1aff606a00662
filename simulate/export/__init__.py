"""Results for other programs.

Reading order within the folder::

    surfaces  surfaces, cells and tables
"""
