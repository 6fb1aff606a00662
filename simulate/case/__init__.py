"""The case file and what it means.

Reading order within the folder::

    settings     plate, power, re-dips, room and grid
    document     TOML text: the line of every key, faults in their place, edits that keep comments
    keys         what a key takes: quantities with units, places
    tables       schema of the file, key by key
    reading      the tables of one file, validated, faults noted
    consistency  whether plate, openings, swab, stroke and cells fit together
    assembly     from validated tables to the parts of a case
    case         the case, frozen; every fault of a file at once

`keys`, `tables`, `reading` and `assembly` load pydantic, and are loaded by `case` when a file is
read.
"""
