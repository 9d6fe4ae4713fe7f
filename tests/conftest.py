"""Settings for all tests: hypothesis draws the same examples every time and never judges by the clock."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("tapwright", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("tapwright")
