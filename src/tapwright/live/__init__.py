"""Live readings: sources, the hub, and everything that shows, keeps or sends them.

`connect(url)` is the client for Python programs; it imports the standard library alone.
"""

from tapwright.live.client import Bench, Event, connect

__all__ = ["Bench", "Event", "connect"]
