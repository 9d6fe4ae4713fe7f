"""Templates: every value is escaped, but for pictures, which are our own SVG with every word in them escaped."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

_WORDS = {"settled": "settled", "open": "not all settled", "none": "no answer yet"}


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(loader=FileSystemLoader(Path(__file__).parent / "templates"), autoescape=True,
                              undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["size"] = size
    environment.filters["picture"] = Markup
    environment.globals["sure"] = _WORDS
    return environment


def render(template: str, **context: Any) -> str:
    """Return a page."""
    return _environment().get_template(template).render(**context)


def size(n_bytes: int) -> str:
    """Return a file's size for people."""
    if n_bytes < 1 << 10:
        return f"{n_bytes} bytes"
    for power, unit in ((10, "KiB"), (20, "MiB"), (30, "GiB")):
        if n_bytes < 1 << (power + 10):
            return f"{n_bytes / (1 << power):.1f} {unit}"
    return f"{n_bytes / (1 << 40):.1f} TiB"
