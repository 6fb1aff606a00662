"""Verdicts and cautions.

Reading order within the folder::

    ventilation  gas of a current in the air of a room
    limits       one number held against one published limit
    assessment   gas, metals, heat, waste: verdicts and cautions
    precautions  the safety box of a case or of a run
"""
