"""The field in a plane under the swab.

Reading order within the folder::

    solve  the field in a section, with lines of equal current
"""
