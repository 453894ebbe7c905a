"""Planning before anything is bought: storage, hydraulics, power, wiring and loads of a declared site, with a report.

Pure functions over the declaration and years of weather; only `command` reads and writes files.
"""
