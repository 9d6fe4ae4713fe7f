"""Pad voltages by state -> roles, drivers, the next test."""
