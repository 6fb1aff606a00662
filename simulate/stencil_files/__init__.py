"""Openings from files that other programs write: SVG drawings, PNG pictures, DXF drawings."""
