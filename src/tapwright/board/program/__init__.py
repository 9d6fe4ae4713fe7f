"""The MicroPython program as it is copied to the board: text, apart from the decoder's tables."""
