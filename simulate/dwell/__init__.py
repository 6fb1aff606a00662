"""How long to work where for an even depth.

Reading order within the folder::

    path_pieces    the path in pieces, and a schedule over them
    least_squares  dwell times by bounded least squares
    crowding       the non-uniformity no schedule can remove
    place_fields   fields by position, and swab and supply carried along a stroke
    plan           the answer: a schedule and what it leaves, in words, tables, a picture
    optimise       the times that give a wanted depth, and what no schedule can even out
"""
