"""Readings beside a reference -> bias, limits, verdict."""
