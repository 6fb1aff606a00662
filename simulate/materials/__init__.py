"""What things are made of: catalogued numbers with sources, and Faraday's law.

Reading order within the folder::

    catalogue    one number of a catalogue, with its source and its range
    battery      a source that changes as it is drained
    electrolyte  salt in vinegar: conductivity, density, acid
    metals       composition, kinetics and films of the metals
    lookup       materials by name: metals, electrolyte, cathodes, wicks, masks, supplies
    removal      Faraday's law: charge to depth and mass
    limiting_current  salt film by diffusion, Sand's time
"""
