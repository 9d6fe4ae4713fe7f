"""Plain SVG pictures with one look; no library, no script, text alternatives in every picture."""
