"""Quick answers without a field: current, time, depth, dose of salt.

Reading order within the folder::

    inputs           inputs of the quick estimates
    operating_point  the current to expect, its band, and where the band comes from
    forecast         a whole job: time, depth, re-dips, batteries
    salt_dose        doses of salt against conductivity, current and time
"""
