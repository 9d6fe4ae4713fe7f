"""One file per mask kind: `KIND`, the contract's name, and `forward(step, n_bytes)`.

`forward` returns a step's byte maps: the radio byte of each wire byte at each place, uint8, shape (n_bytes, 256), and
whether it is settled, bool, of the same shape. Each map is one to one where it is settled.
"""
