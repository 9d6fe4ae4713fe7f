"""One file per board target."""
