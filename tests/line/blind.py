"""Serial lines as an HDL simulator makes them: written as Verilog here, run by Icarus Verilog, read from its dump.

Shares no code with the solver: the senders, the noise, the glitches and the sampling are the simulator's. Every line
of a simulation has its own rate, form, polarity, jitter, pauses and sampling clock.
"""

from __future__ import annotations

import random
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

BAUDS = (300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200)
PARITIES = ("none", "even", "odd", "mark", "space")

SENDER = """
module sender #(parameter N = 1, BITS = 8, PAR = 0, INV = 0, SEED = 1, BURST = 8, GLITCH = 0,
                parameter real BIT = 100.0, STOP = 1.0, JIT = 0.0, PAUSE = 0.0, SAMPLE = 10.0,
                parameter FILE = "x.hex") (output reg q);
  reg [15:0] data [0:N-1]; reg wire_ = 1; reg noise = 0; reg done = 0; reg sum; integer i, b, s, g, h; real t; real u;
  initial begin
    $readmemh(FILE, data); s = SEED; t = 30.0 * BIT;
    for (i = 0; i < N; i = i + 1) begin
      put(0); sum = 0;
      for (b = 0; b < BITS; b = b + 1) begin put(data[i][b]); sum = sum ^ data[i][b]; end
      if (PAR == 1) put(sum); if (PAR == 2) put(~sum); if (PAR == 3) put(1); if (PAR == 4) put(0);
      put(1); t = t + (STOP - 1.0) * BIT;
      if (PAUSE > 0 && ($random(s) & 3) == 0) t = t + PAUSE * BIT * ($unsigned($random(s)) % 1000) / 1000.0;
      if (i % BURST == BURST - 1) t = t + BIT * (14.0 + ($unsigned($random(s)) % 300) / 10.0);
    end
    #(30.0 * BIT) done = 1;
  end
  task put(input v); begin
      u = t + JIT * BIT * (($unsigned($random(s)) % 2001) / 1000.0 - 1.0);
      if (u > $realtime) #(u - $realtime);
      wire_ = v; t = t + BIT;
    end
  endtask
  initial if (GLITCH > 0) begin
    g = SEED + 7;
    while (!done) begin
      #(BIT * (0.5 + ($unsigned($random(g)) % (2000 * GLITCH)) / 1000.0)); noise = 1;
      #(BIT * (0.03 + ($unsigned($random(g)) % 250) / 1000.0)); noise = 0;
    end
  end
  initial begin q = INV ? 0 : 1; h = SEED + 3; #(SAMPLE * (($unsigned($random(h)) % 1000) / 1000.0));
    while (!done) begin #(SAMPLE); q = wire_ ^ noise ^ (INV != 0); end
  end
endmodule
"""


@dataclass(frozen=True)
class Line:
    """The truth about one line; `data` in the order sent."""

    name: str
    baud: int
    off: float
    data_bits: int
    parity: str
    stop_bits: float
    inverted: bool
    samples_per_bit: float
    jitter: float
    pause: float
    burst: int
    glitch_every: int
    data: tuple[int, ...]

    @property
    def form(self) -> tuple[int, str, float, bool]:
        """Data bits, parity, stop bits, inverted."""
        return self.data_bits, self.parity, self.stop_bits, self.inverted

    @property
    def real_baud(self) -> float:
        """What the sender really does."""
        return self.baud * (1 + self.off)


def lines(seed: int, n: int, *, samples: tuple[float, float] = (4, 60), glitches: bool = False,
          jitter: float = 0.03) -> list[Line]:
    """Return random lines; data are random bytes, so that no form but the true one fits by the data's nature."""
    r = random.Random(seed)
    out = []
    for i in range(n):
        bits = r.choice((5, 6, 7, 7, 8, 8, 8, 8, 9))
        spb = samples[0] * (samples[1] / samples[0]) ** r.random()
        count = r.randrange(40, 90)
        out.append(Line(f"l{i}", r.choice(BAUDS), r.uniform(-0.03, 0.03), bits, r.choice(PARITIES[:3] * 2 + PARITIES),
                        r.choice((1.0, 1.0, 1.5, 2.0)), r.random() < 0.3, spb, r.choice((0.0, jitter / 2, jitter)),
                        r.choice((0.0, 0.0, 3.0)), r.randrange(4, 15), r.randrange(60, 120) if glitches else 0,
                        tuple(r.randrange(1 << bits) for _ in range(count))))
    return out


def simulate(folder: Path, wanted: list[Line], *, from_s: float = 0.0) -> Path:
    """Run the senders in Icarus Verilog and return the dump; dumping starts at `from_s`."""
    if shutil.which("iverilog") is None or shutil.which("vvp") is None:
        pytest.skip("Icarus Verilog (iverilog, vvp) is not installed")
    instances, names = [], []
    longest = 0.0
    for i, line in enumerate(wanted):
        (folder / f"d{i}.hex").write_text("\n".join(f"{v:x}" for v in line.data) + "\n", encoding="ascii")
        bit = 1e9 / line.real_baud
        longest = max(longest, bit * (30 + len(line.data) * (13 + line.pause / 6 + 45 / line.burst)))
        instances.append(
            f'wire {line.name}; sender #(.N({len(line.data)}), .BITS({line.data_bits}), '
            f".PAR({PARITIES.index(line.parity)}), .INV({int(line.inverted)}), .SEED({1000 + 31 * i}), "
            f".BURST({line.burst}), .GLITCH({line.glitch_every}), .BIT({bit!r}), .STOP({line.stop_bits}), "
            f".JIT({line.jitter}), .PAUSE({line.pause}), .SAMPLE({bit / line.samples_per_bit!r}), "
            f'.FILE("d{i}.hex")) u{i} ({line.name});')
        names.append(line.name)
    text = ("`timescale 1ns/1ns\n" + SENDER + "module tb;\n" + "\n".join(instances) +
            f'\ninitial begin $dumpfile("out.vcd"); #{int(from_s * 1e9)}; $dumpvars(1, {", ".join(names)}); '
            f"#{int(longest)}; $finish; end\nendmodule\n")
    (folder / "tb.v").write_text(text, encoding="ascii")
    subprocess.run(["iverilog", "-g2005-sv", "-o", "tb.vvp", "tb.v"], cwd=folder, check=True, capture_output=True)
    subprocess.run(["vvp", "-n", "tb.vvp"], cwd=folder, check=True, capture_output=True)
    return folder / "out.vcd"
