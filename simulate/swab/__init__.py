"""The tool: its shape and path, and its state as it works.

Reading order within the folder::

    geometry        bud and pad: sizes, cathode, skirt
    contact_patch   where the swab lies flat on the mask: outline, size, area
    cell_fractions  fractions of cells filled by body, wire and skirt; volumes
    stroke          patterns of movement
    stops           the path cut into stops with their dwell
    contact_time    time under the contact patch
    resistance      cathode to plate by a quick formula, checked against the field
    heat            heat and evaporation: what decides how it warms and dries
    acid_base       pH and hydroxide precipitation
    body            lumped model: what does not change while it works
    state           lumped model: temperature, water, acid, metal, gas, and their ledger
    redip           when the swab is dipped again
    notices         what a person should know about it now
"""
