"""Compiled loops: arrays and numbers in, arrays out; nothing of the trade.

Reading order within the folder::

    compiling           compiler options, and a cache that follows every source file
    simd                explicit vectors of eight lanes
    layout              memory layout of the solver's arrays
    faces               list of electrode faces
    electrode_kinetics  polarisation at electrode faces, and its slope
    coarse_operators    face conductances, line pivots, coarser levels
    smoothing           multigrid cycle: line relaxation, restriction, prolongation
    krylov              conjugate gradients: the operator, updates, sums
    edge_factors        conductance factors near straight edges
    coverage            area fractions, distance to a rim, inscribed circles
    swab_shape          filled fractions of cells by a swab's bodies
    swab_balance        heat, water, acid, metal and gas of the swab; plain Python
    battery_discharge   a battery as it is drained; plain Python
    response_lookup     interpolation in a response table
    time_march          swab and battery from stop to stop
"""
