"""One file per check kind: `N_BYTES` as sent, `value(span, check)` of one span, `values(spans, check)` of many.

A kind's file is its name with underscores for blanks. Values are unsigned integers of `8 * N_BYTES` bits; how they are
sent (byte order, hex digits) is the frame's business, see `frames/apply.py`.
"""
