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
    wet_swab            state of the swab from stop to stop
"""
