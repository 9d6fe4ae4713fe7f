"""How a seam folder lists its members: every module in it is one, none is named anywhere else."""

from __future__ import annotations

import importlib
import pkgutil
from types import ModuleType


def names(package: str) -> tuple[str, ...]:
    """Return the member names of a seam folder, sorted; modules that begin with an underscore are private."""
    path = importlib.import_module(package).__path__
    return tuple(sorted(info.name for info in pkgutil.iter_modules(path) if not info.name.startswith("_")))


def member(package: str, name: str) -> ModuleType:
    """Import one member of a seam folder and return its module."""
    return importlib.import_module(f"{package}.{name}")


def members(package: str) -> dict[str, ModuleType]:
    """Import every member of a seam folder, by name."""
    return {name: member(package, name) for name in names(package)}
