"""Geometry, coverage and level: what a ladder or a tilt would change."""
