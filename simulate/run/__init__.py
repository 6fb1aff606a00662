"""One case from first stop to last.

Reading order within the folder::

    window          the swab at one place over the plate: cells, conductivities, electrodes
    metal_surface   films, layers and depth of the metal as charge passes
    local_solve     current distribution on the plate for one position of the swab
    response_table  current of one position at any conductivity and supply
    time_march      swab, battery and clock from stop to stop
    setup           run set-up: cells, window, laws, stops
    accumulate      charge, peaks and samples on the plate
    surface_blocks  where a run is cut because the metal's surface has changed
    precompile      two processes compile what a first run needs
    etch            the run: blocks, rounds, and what they leave
"""
