"""Frames and labels -> the reading map; frames -> readings."""
