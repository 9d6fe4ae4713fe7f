"""Dumps of Icarus Verilog for the reader's tests."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

BENCH = """
`timescale 1ns/1ps
module part(input clk, output reg [3:0] q); initial q = 4'bx; always @(posedge clk) q <= $random; endmodule
module top;
  reg clk = 0; reg [15:0] v; reg z; reg s = 0; real r = 0; event ev; integer i; wire [3:0] q;
  part u(clk, q);
  always #5 clk = ~clk;
  initial begin
    $dumpfile("out.vcd"); $dumpvars(0, top); v = 16'hx;
    for (i = 0; i < 700; i = i + 1) begin
      #7 v = $random; s = ~s; r = r + 1.5; ->ev;
      if (i % 13 == 1) z = 1'bz;
      if (i % 13 == 5) z = i;
      if (i % 50 == 3) v = 16'b1x0z;
      if (i == 99) $dumpoff;
      if (i == 139) $dumpon;
    end
    $finish;
  end
endmodule
"""


def simulated(folder: Path, text: str) -> Path:
    """Run Verilog and return its dump, `out.vcd`."""
    if shutil.which("iverilog") is None or shutil.which("vvp") is None:
        pytest.skip("Icarus Verilog (iverilog, vvp) is not installed")
    (folder / "tb.v").write_text(text, encoding="ascii")
    for command in (["iverilog", "-g2005-sv", "-o", "tb.vvp", "tb.v"], ["vvp", "-n", "tb.vvp"]):
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return folder / "out.vcd"
