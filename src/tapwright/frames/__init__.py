"""Bytes -> frames and their check."""
