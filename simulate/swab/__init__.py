"""The tool: its shape and path, and its state as it works.

Reading order within the folder::

    geometry    bud and pad: contact patch, wire, wet volume
    stroke      the path of the swab: stops and their dwell
    resistance  cathode to plate by a quick formula, checked against the field
    heat        heat and evaporation balance of the swab
    chemistry   pH, hydroxide precipitation, salt films
    state       lumped model of the swab: heat, water, acid, metal, gas
"""
