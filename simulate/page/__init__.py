"""The classroom page: one HTML file.

Reading order within the folder::

    maps_codec  maps thinned, quantised and packed
    texts       numbers, causes, cautions, questions
    build       the page from its results and templates
"""
