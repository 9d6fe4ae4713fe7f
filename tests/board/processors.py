"""The emitted C on the processors of small boards: built by Debian's cross compilers, run by qemu in user mode.

The programs are static; `hosts/` holds the few lines that stand between their C library and qemu. Cortex-M0+ code is
Thumb of Armv6-M, which an Arm core of qemu's user mode runs as it is.
"""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapwright.board.emit import COMPILERS
from tests.board.rows import STRICT, need

HOSTS = Path(__file__).parent / "hosts"


@dataclass(frozen=True)
class Processor:
    """A processor, the emulator that runs its programs, and what its linker needs besides."""

    name: str
    emulator: str
    host: str
    link: tuple[str, ...] = ()

    def build(self, folder: Path, *sources: str, options: Sequence[str] = ("-Os",)) -> list[str]:
        """Build the folder's C files into one program; return the command that runs it."""
        command = dict(COMPILERS)[self.name]
        program = folder / f"{self.name.lower().rstrip('+')}.elf"
        compiled = [str(folder / source) for source in sources or ("reading.c", "main_stdio.c")]
        objects = []
        for source in compiled:
            objects.append(f"{source.removesuffix('.c')}-{self.host}.o")
            subprocess.run([need(command[0]), *command[1:], *STRICT, *options, "-c", source, "-o", objects[-1]], check=True)
        subprocess.run([command[0], *command[1:], "-Os", "-nostartfiles", *self.link, "-T", str(HOSTS / "flat.ld"),
                        "-o", str(program), *objects, str(HOSTS / f"{self.host}.c")], check=True)
        return [need(self.emulator), str(program)]

    def instructions(self, command: Sequence[str], data: bytes, folder: Path) -> int:
        """Return how many instructions a program takes for what it reads, its start and end included."""
        log = folder / "instructions.log"
        # A translated block an instruction, a line a block.
        subprocess.run([command[0], "-singlestep", "-d", "exec,nochain", "-D", str(log), *command[1:]], input=data,
                       capture_output=True, check=True)
        with log.open("rb") as lines:
            return sum(1 for _ in lines)


# No relaxing: it would need the global pointer, which a start of its own sets.
PROCESSORS = (Processor("RV32IMC", "qemu-riscv32", "rv32", ("-Wl,--no-relax",)),
              Processor("Cortex-M0+", "qemu-arm", "arm"))
