"""Potential and current in any cell: finite volumes, electrodes, multigrid, Newton's method.

Knows no swab, stencil or case.

Reading order within the folder::

    polarisation        kinetics of an electrode: overpotential against current density
    supply              the source: voltage, resistance, current limit
    grid                cells: box, section, axisymmetric
    memory              memory estimate of a solve
    network             finite-volume discretisation: conductances between cells
    edge_singularities  the field close to an edge of metal or mask
    edge_fitting        fitted conductances near straight edges
    coarsening          which cells join into those of the next coarser level
    level               one multigrid level: its box, its arrays, how it joins into the next
    multigrid           preconditioner and conjugate gradients over all levels
    electrode_boundary  boundary conditions: electrode faces and the supply between them
    newton              Newton's method: potentials, polarisation and circuit together
    potential           a field on any grid; validates its inputs
"""
