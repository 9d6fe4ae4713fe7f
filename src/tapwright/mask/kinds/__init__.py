"""One file per mask kind."""
