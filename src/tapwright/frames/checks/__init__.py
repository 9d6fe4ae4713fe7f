"""One file per check kind."""
