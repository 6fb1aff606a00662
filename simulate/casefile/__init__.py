"""The case file, from text to the parts of a case.

Reading order within the folder::

    document   text: the line of every key, faults in their place, edits that keep comments
    keys       what a key takes: quantities with units, places
    tables     the tables, key by key
    reading    the tables of one file, checked, faults noted
    fitting    whether plate, openings, swab and stroke fit together
    assembly   from tables to the parts of a case

Only `simulate.case` uses it. `keys`, `tables`, `reading` and `assembly` load pydantic, and are
loaded when a file is read.
"""
