"""The case file and what it means.

Reading order within the folder::

    settings   plate, power, room and how finely it is computed
    document   text: the line of every key, faults in their place, edits that keep comments
    keys       what a key takes: quantities with units, places
    tables     the tables, key by key
    reading    the tables of one file, checked, faults noted
    fitting    whether plate, openings, swab and stroke fit together
    assembly   from tables to the parts of a case
    case       all of the above, frozen; every fault of a file at once

`keys`, `tables`, `reading` and `assembly` load pydantic, and are loaded by `case` when a file is
read.
"""
