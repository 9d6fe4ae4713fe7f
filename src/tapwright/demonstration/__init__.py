"""The whole job on a pretend water meter: its evidence, every step on it, and the live page."""
