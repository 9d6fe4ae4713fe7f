"""Pieces of bytes -> frames -> readings, fanned out."""
