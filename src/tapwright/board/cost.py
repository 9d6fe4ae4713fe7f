"""What the emitted C costs on the processors of small boards: bytes by the compilers, instructions by an emulator.

Nothing is guessed: where a compiler or the emulator is missing, the cost says so. `hosts/` holds the few lines that
stand between a C library and qemu's user mode. Cortex-M0+ code is Thumb of Armv6-M, which an Arm core of that mode
runs as it is.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

HOSTS = Path(__file__).parent / "hosts"
STREAM_HZ = 2
#: Cycles an instruction is counted with; loads and taken branches of such cores take two or three, most others one.
CYCLES = 2


@dataclass(frozen=True)
class Processor:
    """A processor, its compiler, the emulator that runs its programs, and a clock that is usual for it."""

    name: str
    compiler: tuple[str, ...]
    emulator: str
    host: str
    clock_hz: int
    link: tuple[str, ...] = ()

    def build(self, folder: Path, *sources: str, options: Sequence[str] = ()) -> list[str]:
        """Build the folder's C files into one static program; return the command that runs it."""
        program = folder / f"{self.host}.elf"
        command = [*self.compiler, "-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-Os"]
        objects = []
        for source in sources:
            objects.append(str(folder / f"{Path(source).stem}-{self.host}.o"))
            _run([*command, *options, f"-I{folder}", "-c", str(folder / source), "-o", objects[-1]], folder)
        _run([*self.compiler, "-Os", "-nostartfiles", *self.link, "-T", str(HOSTS / "flat.ld"), "-o", str(program),
              *objects, str(HOSTS / f"{self.host}.c")], folder)
        return [self.emulator, str(program)]

    def instructions(self, command: Sequence[str], folder: Path) -> int:
        """Return how many instructions a program takes, its start and end included."""
        log = folder / "instructions.log"
        # A translated block an instruction, a line a block.
        _run([command[0], "-singlestep", "-d", "exec,nochain", "-D", str(log), *command[1:]], folder)
        with log.open("rb") as lines:
            return sum(1 for _ in lines)


PROCESSORS = (
    # No relaxing: it would need the global pointer, which a start of its own sets.
    Processor("RV32IMC", ("riscv64-unknown-elf-gcc", "-march=rv32imc", "-mabi=ilp32", "--specs=picolibc.specs"),
              "qemu-riscv32", "rv32", 160_000_000, ("-Wl,--no-relax",)),
    Processor("Cortex-M0+", ("arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb"), "qemu-arm", "arm", 48_000_000),
)


@dataclass(frozen=True)
class Cost:
    """What the C decoder takes on a processor.

    Parameters
    ----------
    flash_bytes : code and constants of `reading.c`
    ram_bytes : one `struct reading`, one framer, and the stack of the three deepest functions
    instructions : from the first byte to the reading, mean of the proven frames; None where not counted
    """

    processor: Processor
    flash_bytes: int
    ram_bytes: int
    instructions: int | None

    @property
    def share(self) -> float | None:
        """The share of the processor's time that a stream of `STREAM_HZ` frames a second takes."""
        if self.instructions is None:
            return None
        return self.instructions * CYCLES * STREAM_HZ / self.processor.clock_hz

    def document(self) -> dict[str, object]:
        """Return the JSON form."""
        return {"processor": self.processor.name, "flash_bytes": self.flash_bytes, "ram_bytes": self.ram_bytes,
                "instructions_per_frame": self.instructions, "clock_hz": self.processor.clock_hz,
                "share_at_2_hz": self.share}

    def row(self) -> tuple[str, ...]:
        """Return the cost for people: processor, flash, RAM, instructions, share."""
        if self.instructions is None or self.share is None:
            return (self.processor.name, str(self.flash_bytes), str(self.ram_bytes), "not counted", "not counted")
        return (self.processor.name, str(self.flash_bytes), str(self.ram_bytes), str(self.instructions),
                f"{100 * self.share:.2g} % at {self.processor.clock_hz // 1_000_000} MHz")


def costs(folder: Path, frames: Sequence[bytes]) -> tuple[list[Cost], list[str]]:
    """Return the cost on every processor that can be compiled for, and what could not be measured, in words.

    Parameters
    ----------
    folder : holds `reading.c` and `reading.h`
    frames : proven frames as received, under 256 bytes each; without any no instructions are counted
    """
    found: list[Cost] = []
    missing: list[str] = []
    for processor in PROCESSORS:
        if not shutil.which(processor.compiler[0]):
            missing.append(f"{processor.name}: {processor.compiler[0]} is not installed: neither size nor time")
            continue
        count = bool(frames) and shutil.which(processor.emulator) is not None
        if not count:
            why = f"{processor.emulator} is not installed" if frames else "no proven frame is at hand"
            missing.append(f"{processor.name}: instructions are not counted, because {why}")
        found.append(_cost(processor, folder, frames if count else ()))
    return found, missing


def _cost(processor: Processor, folder: Path, frames: Sequence[bytes]) -> Cost:
    probe = '#include "reading.h"\nchar probe[sizeof(struct reading) + sizeof(struct reading_framer)];\n'
    with tempfile.TemporaryDirectory() as kept:
        work = Path(kept)
        (work / "probe.c").write_text(probe)
        for name in ("reading.h", "reading.c"):
            shutil.copy(folder / name, work / name)
        for name in ("reading", "probe"):
            _run([*processor.compiler, "-std=c99", "-Os", "-fstack-usage", "-c", f"{name}.c", "-o", f"{name}.o"], work)
        tool = processor.compiler[0].removesuffix("gcc") + "size"
        text, data, bss = _counts(tool, work / "reading.o")
        stack = sum(sorted((int(line.split("\t")[1]) for line in (work / "reading.su").read_text().splitlines()),
                           reverse=True)[:3])
        structs = sum(_counts(tool, work / "probe.o")[1:])
        return Cost(processor, text + data, data + bss + stack + structs, _instructions(processor, work, frames))


def _instructions(processor: Processor, work: Path, frames: Sequence[bytes]) -> int | None:
    if not frames:
        return None
    shutil.copy(HOSTS / "count.c", work / "count.c")
    listed = ",".join(str(byte) for frame in frames for byte in (len(frame), *frame))
    # Three rounds less one: start and end cancel.
    one, three = (processor.instructions(processor.build(work, "reading.c", "count.c", options=(f"-DFRAMES={listed}",
                                                                                               f"-DREPEAT={n}")), work)
                  for n in (1, 3))
    return round((three - one) / 2 / len(frames))


def _run(command: Sequence[str], folder: Path) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True, cwd=folder).stdout


def _counts(tool: str, path: Path) -> tuple[int, int, int]:
    text, data, bss = _run([tool, str(path)], path.parent).splitlines()[1].split()[:3]
    return int(text), int(data), int(bss)
