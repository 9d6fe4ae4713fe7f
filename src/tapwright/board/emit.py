"""What `tapwright board` does: judge the description, gather what the job folder knows, write the targets' files."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from tapwright.board.about import About, gather
from tapwright.board.tables import open_parts
from tapwright.core import registry
from tapwright.core.errors import DescriptionError, TapwrightError, UsageError
from tapwright.core.files import os_reason, write_text
from tapwright.core.instrument import Instrument

TARGETS = "tapwright.board.targets"
__all__ = ["About", "Size", "gather", "out_folder", "require_settled", "size_rows", "sizes", "write"]

COMPILERS = (
    ("RV32IMC", ("riscv64-unknown-elf-gcc", "-march=rv32imc", "-mabi=ilp32", "--specs=picolibc.specs")),
    ("Cortex-M0+", ("arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb")),
)


@dataclass(frozen=True)
class Size:
    """What the C decoder takes on a processor: code and constants, static RAM, deepest stack of one function, bytes.

    `struct_bytes` are those of one `struct reading` and one `struct reading_framer`.
    """

    processor: str
    flash_bytes: int
    static_bytes: int
    stack_bytes: int
    struct_bytes: int

    @property
    def ram_bytes(self) -> int:
        """All RAM that a program needs for it."""
        return self.static_bytes + self.stack_bytes + self.struct_bytes

    def document(self) -> dict[str, object]:
        """Return the JSON form."""
        return {"processor": self.processor, "flash_bytes": self.flash_bytes, "ram_bytes": self.ram_bytes}


def out_folder(given: str | None, job: Path | None) -> Path:
    """Return where the files go.

    Raises
    ------
    UsageError : neither a folder nor a job was given
    """
    if given is not None:
        return Path(given)
    if job is None:
        raise UsageError("no folder given for the files", expected="--out DIR, or a job folder")
    return job / "board"


def require_settled(instrument: Instrument, path: Path, *, allow: bool) -> list[str]:
    """Return what is undetermined, in words.

    Raises
    ------
    DescriptionError : something is, and `allow` is not given
    """
    left = open_parts(instrument.reading_map)
    if left and not allow:
        raise DescriptionError(
            "parts are undetermined: " + "; ".join(left), path=path, expected="a description that labels settled",
            do="label what 'tapwright learn' asks for next, or give --allow-unproven to show these parts as unproven")
    return left


def write(instrument: Instrument, out: Path, targets: Iterable[str], about: About) -> list[Path]:
    """Write the targets' files, each whole or not at all; return their paths.

    Raises
    ------
    TapwrightError : a folder cannot be made, or a file not written
    """
    texts: dict[Path, str] = {}
    for name in targets:
        module = registry.member(TARGETS, name)
        texts |= {out / module.FOLDER / file: text for file, text in module.files(instrument, about).items()}
    for folder in dict.fromkeys(path.parent for path in texts):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as trouble:
            raise TapwrightError(os_reason(trouble), path=folder, expected="a folder that can be written") from None
    for path, text in texts.items():
        write_text(path, text)
    return list(texts)


def sizes(out: Path, targets: Iterable[str]) -> list[Size]:
    """Return the C decoder's size on every processor whose cross compiler is installed."""
    if "c" not in targets:
        return []
    return [_size(name, command, out / "c") for name, command in COMPILERS if shutil.which(command[0])]


def _size(name: str, command: tuple[str, ...], folder: Path) -> Size:
    probe = '#include "reading.h"\nchar probe[sizeof(struct reading) + sizeof(struct reading_framer)];\n'
    with tempfile.TemporaryDirectory() as kept:
        work = Path(kept)
        (work / "probe.c").write_text(probe)
        for source in (folder / "reading.c", work / "probe.c"):
            subprocess.run([*command, "-std=c99", "-Os", "-fstack-usage", f"-I{folder}", "-c", str(source),
                            "-o", str(work / f"{source.stem}.o")], check=True, capture_output=True, cwd=work)
        tool = command[0].removesuffix("gcc") + "size"
        text, data, bss = _counts(tool, work / "reading.o")
        stack = sum(sorted((int(line.split("\t")[1]) for line in (work / "reading.su").read_text().splitlines()),
                           reverse=True)[:3])
        structs = sum(_counts(tool, work / "probe.o")[1:])
    return Size(name, text + data, data + bss, stack, structs)


def _counts(tool: str, path: Path) -> tuple[int, int, int]:
    said = subprocess.run([tool, str(path)], check=True, capture_output=True, text=True).stdout
    text, data, bss = said.splitlines()[1].split()[:3]
    return int(text), int(data), int(bss)


def size_rows(found: list[Size]) -> list[tuple[str, ...]]:
    """Return rows for people: processor, flash, RAM."""
    return [(size.processor, str(size.flash_bytes), str(size.ram_bytes)) for size in found]
