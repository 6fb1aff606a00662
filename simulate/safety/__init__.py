"""Safety assessment: gas, metals, heat and waste against published exposure limits.

Reading order within the folder::

    ventilation  concentration of the gas in the air of a room
    limits       comparison of a quantity with a published limit
    assessment   the verdicts and cautions of a job
    precautions  the safety box of a case or of a run
"""
