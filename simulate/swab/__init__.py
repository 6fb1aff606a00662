"""The tool: its shape and path, and its state as it works.

Reading order within the folder::

    geometry        bud and pad: sizes, cathode, skirt
    contact_patch   where the swab lies flat on the mask: outline, size, area
    cell_fractions  fractions of cells filled by body, wire and skirt; volumes
    stroke          patterns of movement
    stops           the path cut into stops with their dwell
    contact_time    time under the contact patch
    resistance      cathode to plate by a quick formula, checked against the field
    heat            heat and evaporation balance of the swab
    chemistry       pH, hydroxide precipitation, salt films
    state           lumped model of the swab: heat, water, acid, metal, gas
"""
