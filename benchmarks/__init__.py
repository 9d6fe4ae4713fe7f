"""Benchmarks: each measures a ratio to a named peer or limit in one run."""
