"""Edges -> line settings and bytes."""
