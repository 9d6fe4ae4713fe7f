"""Two cells -> a rail for the added board, worst case first."""
