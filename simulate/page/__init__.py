"""The classroom page: one HTML file.

Reading order within the folder::

    build  the page from its results and templates
"""
