"""Who may import whom, read from the import statements themselves (docs/architecture.md says why).

Failing here means that a module reaches up or sideways: move what is shared down, or pass it in.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow  # every module is parsed once
ROOT = Path(__file__).parents[1] / "src"
STAGES = ("pins", "line", "frames", "mask", "mapping")
KINDS = frozenset({"frames.checks", "mask.kinds", "mapping.families"})
#: What a package may import of the others, whole packages. `apply` stands for the apply modules of the stages,
#: `kinds` for their seam folders.
ALLOWED: dict[str, frozenset[str]] = {
    "core": frozenset(),
    "draw": frozenset({"core"}),
    **{name: frozenset({"core", "draw"}) for name in ("evidence", "agreement", "supply", "synth")},
    **{name: frozenset({"core", "draw", "evidence", "earlier apply"}) for name in STAGES},
    "decode": frozenset({"core", "evidence", "apply"}),
    **{name: frozenset({"core", "draw", "evidence", "decode", "apply", "kinds"}) for name in ("proof", "board")},
    "live": frozenset({"core", "draw", "evidence", "decode", "apply"}),
    "web": frozenset({"core", "draw", "evidence", "live", "job"}),
    # The workbench checks and draws what is typed into it with the rooms' own readers.
    "workbench": frozenset({"core", "draw", "evidence", "live", "job", "agreement", "supply"}),
    "job": frozenset({"core", "draw", "evidence", "agreement", "supply", "synth", *STAGES, "decode", "proof", "board"}),
    "demonstration": frozenset({"core", "draw", "evidence", "agreement", "supply", "synth", *STAGES, "decode", "proof",
                                "board", "live", "web", "job"}),
}
#: What an apply module is made of: the emitted decoders follow the same parts, so they may read them too.
APPLY_PARTS = {"mapping": ("shown", "body", "rows")}
#: These run stages from end to end, so they alone may import another package's find module.
FINDERS = frozenset({"job", "cli", "demonstration"})
#: Package modules that do more than say what the package is, and why.
BUSY_PACKAGES = {
    "": "the version",
    "evidence.captures": "chooses the member that reads a file",
    "live": "the client for Python programs, standard library alone",
}
HEAVY = frozenset({"numpy", "scipy", "numba", "polars", "sqlalchemy", "starlette", "PIL", "pandas", "jinja2"})


@dataclass(frozen=True)
class Import:
    """One imported module; `late` inside a function, `typing` only under TYPE_CHECKING."""

    name: str
    line: int
    late: bool
    typing: bool


@dataclass(frozen=True)
class Module:
    """One module of ours: its dotted name without `tapwright.`, and what it imports."""

    name: str
    path: Path
    imports: tuple[Import, ...]

    @property
    def package(self) -> str:
        """The first part of the name."""
        return self.name.partition(".")[0]

    @property
    def room(self) -> str:
        """The name in `ALLOWED` that holds for this module."""
        return "workbench" if self.name.startswith("web.workbench") else self.package

    def ours(self) -> Iterator[Import]:
        """Yield the imports of our own modules, named without `tapwright.`."""
        for one in self.imports:
            if one.name == "tapwright" or one.name.startswith("tapwright."):
                yield Import(one.name.removeprefix("tapwright").removeprefix("."), one.line, one.late, one.typing)

    def where(self, one: Import) -> str:
        """Return an import's place in words."""
        return f"{self.path.relative_to(ROOT.parent)}:{one.line} imports {one.name or 'tapwright'}"


@cache
def modules() -> dict[str, Module]:
    """Return all modules by name."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT / "tapwright").with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
        found[name] = Module(name, path, tuple(_imports(tree, late=False, typing=False)))
    return found


def _imports(node: ast.AST, *, late: bool, typing: bool) -> Iterator[Import]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import):
            for alias in child.names:
                yield Import(alias.name, child.lineno, late, typing)
        elif isinstance(child, ast.ImportFrom):
            assert child.level == 0, f"line {child.lineno}: a relative import"
            for alias in child.names:
                assert alias.name != "*", f"line {child.lineno}: a star import"
                yield Import(_target(child.module or "", alias.name), child.lineno, late, typing)
        else:
            inside = late or isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
            checking = typing or (isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test))
            yield from _imports(child, late=inside, typing=checking)


def _target(module: str, name: str) -> str:
    """Return the module that `from module import name` loads: the submodule where there is one."""
    inner = ROOT / (module + "." + name).replace(".", "/")
    return f"{module}.{name}" if inner.with_suffix(".py").exists() or (inner / "__init__.py").exists() else module


def kinds_of(target: str, importer: str) -> set[str]:
    """Return the names in `ALLOWED` under which a module may be imported."""
    package, _, rest = target.partition(".")
    names = {package}
    if package in STAGES and rest in ("apply", *APPLY_PARTS.get(package, ())):
        names.add("apply")
        if importer in STAGES and STAGES.index(package) < STAGES.index(importer):
            names.add("earlier apply")
    if any(target == kind or target.startswith(kind + ".") for kind in KINDS):
        names.add("kinds")
    return names


def test_every_package_has_its_place() -> None:
    """A new package needs a line in ALLOWED."""
    packages = {module.package for module in modules().values()} - {"", "cli", "__main__"}
    assert packages <= set(ALLOWED)


def test_packages_import_only_what_lies_below_them() -> None:
    """The table above, for every import, also inside functions and for types alone."""
    wrong = [module.where(one) for module in modules().values() if module.room in ALLOWED
             for one in module.ours()
             if one.name and one.name.partition(".")[0] != module.package
             and not kinds_of(one.name, module.package) & ALLOWED[module.room]]
    assert wrong == []


def test_none_imports_the_command_line() -> None:
    """Only the command line itself."""
    wrong = [module.where(one) for module in modules().values() if module.package not in ("cli", "__main__")
             for one in module.ours() if one.name.partition(".")[0] == "cli"]
    assert wrong == []


def test_only_runners_import_a_find_module() -> None:
    """What was found out reaches the other stages as data, never by calling the finder."""
    wrong = [module.where(one) for module in modules().values() if module.package not in FINDERS
             for one in module.ours()
             if one.name.endswith(".find") and one.name.partition(".")[0] != module.package]
    assert wrong == []


def test_apply_modules_reach_no_find_module() -> None:
    """Decoding a frame never loads what inferred its meaning, directly or through others, nor SciPy."""
    graph = modules()
    for stage in STAGES:
        start = graph.get(f"{stage}.apply")
        if start is None:
            continue
        seen, left = {start.name}, [start]
        while left:
            module = left.pop()
            for one in module.imports:
                early = not one.late and not one.typing
                assert not (early and one.name.partition(".")[0] == "scipy"), module.where(one)
            for one in module.ours():
                if one.late or one.typing or one.name in seen or one.name not in graph:
                    continue
                assert not one.name.endswith(".find"), f"{start.name}: {module.where(one)}"
                seen.add(one.name)
                left.append(graph[one.name])


def test_core_needs_numpy_and_the_standard_library_alone() -> None:
    """Everything stands on core, so core stands on little."""
    wrong = [module.where(one) for module in modules().values() if module.package == "core" for one in module.imports
             if one.name.partition(".")[0] not in sys.stdlib_module_names | {"numpy", "tapwright"}]
    # tomlkit keeps a hand-edited file's places and is loaded only when one is written.
    assert [place for place in wrong if "tomlkit" not in place] == []


def test_commands_load_no_heavy_library_before_they_run() -> None:
    """`--help` stays quick: such imports stand inside functions."""
    wrong = [module.where(one) for module in modules().values() if module.package == "cli" for one in module.imports
             if not one.late and not one.typing and one.name.partition(".")[0] in HEAVY]
    assert wrong == []


def test_serving_readings_loads_no_job() -> None:
    """In `web` the job's steps (and SciPy with them) are imported inside functions, or in a workbench module."""
    wrong = [module.where(one) for module in modules().values()
             if module.package == "web" and "workbench" not in module.name
             for one in module.ours() if not one.late and not one.typing and one.name.partition(".")[0] == "job"]
    assert wrong == []


def test_package_modules_only_say_what_they_are() -> None:
    """A busy `__init__` would load a whole package for one of its modules."""
    for name, module in modules().items():
        if module.path.name == "__init__.py" and name not in BUSY_PACKAGES:
            body = ast.parse(module.path.read_text(encoding="utf-8")).body
            assert len(body) == 1, f"{name or 'tapwright'}: more than a docstring"
            assert isinstance(body[0], ast.Expr)


def test_there_is_no_import_cycle() -> None:
    """Imports at the head of modules form no ring."""
    graph = {name: [one.name for one in module.ours() if not one.late and not one.typing and one.name in modules()
                    and one.name != name] for name, module in modules().items()}
    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, "a ring: " + " -> ".join((*way[way.index(name):], name))
        if name not in done:
            for target in graph[name]:
                visit(target, (*way, name))
            done.add(name)

    for name in graph:
        visit(name, ())


@pytest.mark.parametrize(("importer", "target", "fine"), [
    ("core", "draw.svg", False), ("draw", "core.units", True), ("evidence", "line.apply", False),
    ("frames", "line.apply", True), ("frames", "mapping.apply", False), ("frames", "line.find", False),
    ("decode", "mapping.apply", True), ("decode", "mapping.find", False), ("board", "frames.checks.crc16", True),
    ("agreement", "evidence.labels", False), ("synth", "line.apply", False), ("web", "live.hub", True),
    ("web", "supply.read", False), ("workbench", "supply.read", True), ("live", "web.api", False), ("job", "cli.common", False)])
def test_the_table_itself(importer: str, target: str, fine: bool) -> None:
    """The rules as examples, so that a slip in the table shows."""
    assert bool(kinds_of(target, importer) & ALLOWED[importer]) is fine
