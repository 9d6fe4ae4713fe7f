"""Reading an instrument by SCPI: the parser, the status registers, and the answers; no sockets here."""
