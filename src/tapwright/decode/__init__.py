"""What was found out, applied: capture -> frames -> readings."""
