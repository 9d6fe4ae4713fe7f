"""The decoder for MicroPython in parts: plain integers, text and tuples; in a row they are `reading.py`."""
