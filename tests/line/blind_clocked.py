"""Clocked lines and I2C buses as an HDL simulator makes them, among other lines: written as Verilog, run by Icarus.

Shares no code with the solver: senders, jitter and the capture's sampling are the simulator's. Forms of a clocked line:
the four modes (clock level at rest, reading edge; common convention), words of 8 to 24 bits in either order, parted by a
select line, by pauses, or by both. I2C as in the published specification (UM10204): starts, repeated starts, stops,
acknowledge bits, a clock held low now and then.
"""

from __future__ import annotations

import random
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

BUSES = """
module spi #(parameter N = 1, BITS = 8, CPOL = 0, CPHA = 0, LSB = 0, SEED = 1, TOGETHER = 1, parameter real HALF = 10.0,
             GAP = 100.0, JIT = 0.0, parameter FILE = "x.hex") (output reg sck, output reg mosi, output reg cs);
  reg [31:0] data [0:N-1]; integer i, b, s; reg v;
  initial begin
    $readmemh(FILE, data); s = SEED; sck = CPOL; mosi = 0; cs = 1; #(20.0 * HALF);
    for (i = 0; i < N; i = i + 1) begin
      cs = 0; if (i % TOGETHER == 0) #(2.0 * HALF);
      for (b = 0; b < BITS; b = b + 1) begin
        v = LSB ? data[i][b] : data[i][BITS-1-b];
        if (CPHA) begin sck = !CPOL; mosi = v; wait_half; sck = CPOL; wait_half; end
        else begin mosi = v; wait_half; sck = !CPOL; wait_half; sck = CPOL; end
      end
      if (i % TOGETHER == TOGETHER - 1) begin
        #(2.0 * HALF) cs = 1; #(GAP * (0.6 + ($unsigned($random(s)) % 1000) / 1000.0));
      end
    end
  end
  task wait_half; #(HALF * (1.0 + JIT * (($unsigned($random(s)) % 2001) / 1000.0 - 1.0))); endtask
endmodule
module i2c #(parameter N = 1, SEED = 1, parameter real Q = 10.0, GAP = 100.0, parameter FILE = "x.hex")
            (output reg scl, output reg sda);
  reg [15:0] token [0:N-1]; integer i, b, s;
  initial begin
    $readmemh(FILE, token); s = SEED; scl = 1; sda = 1; #(20.0 * Q);
    for (i = 0; i < N; i = i + 1) case (token[i][15:12])
      0: begin if (!scl) begin sda = 1; #(Q) scl = 1; #(Q); end sda = 0; #(Q) scl = 0; #(Q); end
      1: begin for (b = 7; b >= 0; b = b - 1) put(token[i][b]); put(token[i][8]); end
      2: begin sda = 0; #(Q) scl = 1; #(Q) sda = 1; #(GAP * (0.6 + ($unsigned($random(s)) % 1000) / 1000.0)); end
    endcase
  end
  task put(input v); begin
    sda = v; #(Q) scl = 1; #(2.0 * Q) scl = 0; #(Q);
    if (($random(s) & 31) == 0) #(6.0 * Q);
  end endtask
endmodule
module uart #(parameter N = 1, SEED = 1, parameter real BIT = 10.0, parameter FILE = "x.hex") (output reg q);
  reg [7:0] data [0:N-1]; integer i, b, s;
  initial begin
    $readmemh(FILE, data); s = SEED; q = 1; #(20.0 * BIT);
    for (i = 0; i < N; i = i + 1) begin
      q = 0; #(BIT); for (b = 0; b < 8; b = b + 1) begin q = data[i][b]; #(BIT); end
      q = 1; #(BIT * (1.0 + ($random(s) & 15)));
    end
  end
endmodule
"""


@dataclass(frozen=True)
class Bus:
    """The truth about one capture: lines by their part, the clocked words or the I2C bytes.

    `together`: words in one select without a pause; where they part no wire tells.
    """

    kind: str
    lines: dict[str, str]
    mode: int
    bits: int
    lsb_first: bool
    has_select: bool
    words: tuple[int, ...]
    together: int
    samples_a_half: float

    @property
    def edge(self) -> str:
        """The reading edge of the mode."""
        return "rising" if self.mode in (0, 3) else "falling"


def bus(seed: int, folder: Path) -> tuple[Bus, Path]:
    """Simulate one capture with one bus, a serial line and a slow line; return the truth and the dump."""
    if shutil.which("iverilog") is None or shutil.which("vvp") is None:
        pytest.skip("Icarus Verilog (iverilog, vvp) is not installed")
    r = random.Random(f"clocked {seed}")
    kind = r.choice(("clocked", "clocked", "i2c"))
    names = [f"n{i}" for i in r.sample(range(9), 6)]
    half = 1000.0
    samples = 3 * 10 ** r.random()
    gap = half * r.uniform(12, 80)
    truth: Bus
    if kind == "clocked":
        bits, count = r.choice((8, 8, 8, 12, 16, 24)), r.randrange(20, 60)
        words = tuple(r.randrange(1 << bits) for _ in range(count)) if r.random() < 0.5 else tuple(
            (r.randrange(1 << bits) // 2 + 7 * i) % (1 << bits) for i in range(count))
        together, select = r.choice((1, 1, 2, 4)), r.random() < 0.6
        if not select:
            together = 1
        count -= count % together
        words = words[:count]
        lines = {"clock": names[0], "data": names[1], **({"select": names[2]} if select else {})}
        truth = Bus(kind, lines, r.randrange(4), bits, r.random() < 0.3, select, words, together, samples)
        (folder / "b.hex").write_text("\n".join(f"{word:x}" for word in words) + "\n", encoding="ascii")
        text = (f"wire a, b, c; spi #(.N({count}), .BITS({bits}), .CPOL({truth.mode // 2}), .CPHA({truth.mode % 2}), "
                f".LSB({int(truth.lsb_first)}), .SEED({seed + 5}), .TOGETHER({together}), .HALF({half}), .GAP({gap}), "
                f'.JIT({r.choice((0.0, 0.03))}), .FILE("b.hex")) bus (a, b, c);')
        inner = {"a": names[0], "b": names[1], **({"c": names[2]} if select else {})}
        longest = (count * (bits * 2.1 + 4) * half) + count * 1.6 * gap + 40 * half
    else:
        tokens, values = list[int](), list[int]()
        for _ in range(r.randrange(6, 20)):
            tokens.append(0)
            again = r.random() < 0.3
            for part in range(2 if again else 1):
                if part:
                    tokens.append(0)
                n = r.randrange(1, 5)
                for k in range(n + 1):
                    value = r.randrange(256)
                    values.append(value)
                    tokens.append(0x1000 | (0x100 if k == n and r.random() < 0.5 else 0) | value)
            tokens.append(0x2000)
        truth = Bus(kind, {"clock": names[0], "data": names[1]}, 0, 8, False, False, tuple(values), 1, samples)
        (folder / "b.hex").write_text("\n".join(f"{token:x}" for token in tokens) + "\n", encoding="ascii")
        text = (f"wire a, b; i2c #(.N({len(tokens)}), .SEED({seed + 5}), .Q({half}), .GAP({gap}), "
                f'.FILE("b.hex")) bus (a, b);')
        inner = {"a": names[0], "b": names[1]}
        longest = len(tokens) * 60 * half + 40 * half
    (folder / "u.hex").write_text("\n".join(f"{r.randrange(256):x}" for _ in range(60)) + "\n", encoding="ascii")
    bit = longest / 1300
    text += f' wire u; uart #(.N(60), .SEED({seed + 9}), .BIT({bit}), .FILE("u.hex")) other (u);'
    text += f" reg slow = 0; always #({longest / r.randrange(3, 9)}) slow = ~slow;"
    inner |= {"u": names[3], "slow": names[4]}
    copies = " ".join(f"{name} <= {wire};" for wire, name in inner.items())
    (folder / "tb.v").write_text(
        "`timescale 1ns/1ps\n" + BUSES + "module tb;\n" + text + f"\nreg {', '.join(inner.values())};\n"
        f"always #({half / samples}) begin {copies} end\n"
        f'initial begin $dumpfile("out.vcd"); $dumpvars(1, {", ".join(inner.values())}); #{int(longest)}; $finish; end\n'
        "endmodule\n", encoding="ascii")
    subprocess.run(["iverilog", "-g2005-sv", "-o", "tb.vvp", "tb.v"], cwd=folder, check=True, capture_output=True)
    subprocess.run(["vvp", "-n", "tb.vvp"], cwd=folder, check=True, capture_output=True)
    return truth, folder / "out.vcd"
