"""Loops as machine code that is compiled once and kept: numba translates, later runs load its object code alone.

Importing numba and unpickling its own cache costs half a second of every run; llvmlite loads the object code in a
tenth of that. What is kept stands beside the module (as byte code does) or in the user's cache folder, under a name
that tells source, processor and compiler apart.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

_C_TYPES: dict[str, Any] = {"i8": ctypes.c_int64, "f8": ctypes.c_double}
_NUMBA_TYPES = {"u1": "uint8", "i1": "int8", "u2": "uint16", "i4": "int32", "u4": "uint32", "u8": "uint64",
                "i8": "int64", "f8": "float64"}
_MAGIC = b"tapwright object 1\n"
_engines: list[Any] = []  # code lives as long as its engine


class Loop:
    """A function of arrays and numbers that runs as machine code; returns an int.

    Parameters
    ----------
    python : the function; it may use numbers, indexing and calls of `math`, nothing that allocates or raises
    kinds : of each argument: numpy's code (`i8` int64, `f8` float64, ...), with `*` behind for a contiguous array, `**`
        for an array of the addresses of such arrays
    """

    def __init__(self, python: Callable[..., int], kinds: str) -> None:
        self.python, self.kinds = python, kinds.split()
        self._code: Callable[..., int] | None = None

    def __call__(self, *args: NDArray[Any] | float) -> int:
        """Run it. The arrays are read and written in place; the interpreter is free meanwhile."""
        if self._code is None:
            self._code = self._load()
        plain = [self._address(arg, kind) if isinstance(arg, np.ndarray) else arg
                 for arg, kind in zip(args, self.kinds, strict=True)]
        return int(self._code(*plain))

    @staticmethod
    def _address(array: NDArray[Any], kind: str) -> int:
        assert array.dtype == (np.dtype(kind[:-1]) if kind.count("*") == 1 else np.int64)
        assert array.flags.c_contiguous
        return array.ctypes.data

    def _load(self) -> Callable[..., int]:
        import llvmlite  # type: ignore[import-untyped]
        import llvmlite.binding as llvm  # type: ignore[import-untyped]

        llvm.initialize_native_target()
        llvm.initialize_native_asmprinter()
        made_from = "\n".join([llvmlite.__version__, llvm.get_host_cpu_name(), *self.kinds,
                               llvm.get_host_cpu_features().flatten()])
        source = Path(self.python.__code__.co_filename)
        key = hashlib.sha256(made_from.encode() + source.read_bytes()).hexdigest()[:24]
        name = f"{self.python.__name__}.{key}.loop"
        kinds = [_C_TYPES.get(kind, ctypes.c_void_p) for kind in self.kinds]
        callable_of = ctypes.CFUNCTYPE(ctypes.c_int64, *kinds)
        kept = next(filter(None, (_kept(folder / name) for folder in _folders(source))), None)
        if kept is None:
            made = self._compiled()
            _engines.append(made)
            kept = _object_code(made)
            if kept is None:
                return callable_of(made.address)
            _keep(_folders(source), name, kept)
        symbol, _, code = kept.partition(b"\n")
        machine = llvm.Target.from_default_triple().create_target_machine()
        engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
        engine.add_object_file(llvm.ObjectFileRef.from_data(code))
        engine.finalize_object()
        _engines.append(engine)
        return callable_of(engine.get_function_address(symbol.decode()))

    def _compiled(self) -> Any:
        import numba

        pointer: Any = numba.types.CPointer
        cfunc: Any = numba.cfunc
        types = []
        for kind in self.kinds:
            of = getattr(numba.types, _NUMBA_TYPES[kind.rstrip("*")])
            for _ in range(kind.count("*")):
                of = pointer(of)
            types.append(of)
        # Inlined, the wrapper that numba makes has no errors to hand on, so nothing of Python is called.
        return cfunc(numba.types.int64(*types), nopython=True, error_model="numpy", forceinline=True)(self.python)


def _object_code(made: Any) -> bytes | None:
    """Return symbol and object code of what numba compiled, None where it needs numba's own run-time library."""
    library = made._library
    text = library.get_llvm_str()
    if any(line.startswith("declare") and "@llvm." not in line for line in text.splitlines()):
        return None
    code: bytes = library._get_compiled_object()
    return str(made.native_name).encode() + b"\n" + code


def loop(kinds: str) -> Callable[[Callable[..., int]], Loop]:
    """Mark a function as a `Loop`."""
    return lambda python: Loop(python, kinds)


def _folders(source: Path) -> list[Path]:
    cache = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    return [source.parent / "__pycache__", Path(cache) / "tapwright"]


def _kept(path: Path) -> bytes | None:
    """Return what is kept in a file, None where it is not there or damaged."""
    try:
        data = path.read_bytes()
    except OSError:
        return None
    head = len(_MAGIC) + 32
    if not data.startswith(_MAGIC) or hashlib.sha256(data[head:]).digest() != data[len(_MAGIC):head]:
        return None
    return data[head:]


def _keep(folders: list[Path], name: str, kept: bytes) -> None:
    """Write what is to be kept, whole or not at all, to the first folder that takes it; none is no trouble."""
    for folder in folders:
        with suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile(dir=folder, prefix=name, delete=False) as file:
                file.write(_MAGIC + hashlib.sha256(kept).digest() + kept)
            os.replace(file.name, folder / name)
            return
