"""The job folder and its steps, run in order with provenance."""
