"""Compiled loops: arrays in, arrays out; none of them imports a project file."""
