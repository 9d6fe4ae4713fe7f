"""Frames -> levels on a line, as a logic capture would hold them: sampled, with glitches, cut anywhere."""

from __future__ import annotations

import random
from dataclasses import dataclass
from fractions import Fraction

from tapwright.synth.instrument import Pretend

Edges = list[tuple[int, int]]  # (sample number, new level), the level differing from the one before


@dataclass(frozen=True, kw_only=True)
class Sent:
    """A frame on the line: when its first start bit begins, and its bytes."""

    t_s: float
    frame: bytes


def levels(meter: Pretend, sent: list[Sent], *, rate_hz: int, seconds: float, rng: random.Random,
           glitches: int = 0) -> Edges:
    """Return the edges of an idle-high line from sample 0 on; edges are rounded to samples, as a sampler does.

    `glitches` short pulses, a tenth to a quarter of a bit long, are added while the line rests or inside bits.
    """
    bit_s = 1 / (meter.baud * (1 + meter.clock_error))
    times: list[tuple[float, int]] = []
    for item in sent:
        t = item.t_s
        for byte in item.frame:
            bits = [0, *(byte >> i & 1 for i in range(8))]
            if meter.parity != "N":
                bits.append((byte.bit_count() + (meter.parity == "O")) & 1)
            bits += [1] * meter.stop_bits
            times += [(t + i * bit_s, bit) for i, bit in enumerate(bits)]
            t += (len(bits) + rng.choice((0, 0, 0, 0.3))) * bit_s
    edges: Edges = []
    level = 1
    for t, bit in times:
        if bit != level:
            edges.append((round(t * rate_hz), bit))
            level = bit
    return _with_glitches(edges, round(bit_s * rate_hz), round(seconds * rate_hz), rng, glitches)


def cut(edges: Edges, start: int, first_level: int = 1) -> tuple[int, Edges]:
    """Return the level at sample `start` and the edges after it, counted from there: a capture begun mid-byte."""
    level = first_level
    for at, new in edges:
        if at <= start:
            level = new
    return level, [(at - start, new) for at, new in edges if at > start]


def vcd(lines: dict[str, tuple[int, Edges]], *, rate_hz: int, samples: int, scope: str = "bench") -> str:
    """Return an IEEE 1364 value change dump of named lines (first level, edges)."""
    unit, per_sample = _timescale(rate_hz)
    codes = {name: chr(33 + i) for i, name in enumerate(lines)}
    out = [f"$timescale 1 {unit} $end", f"$scope module {scope} $end",
           *(f"$var wire 1 {code} {name} $end" for name, code in codes.items()),
           "$upscope $end", "$enddefinitions $end", "#0", "$dumpvars",
           *(f"{lines[name][0]}{code}" for name, code in codes.items()), "$end"]
    changes = sorted((at, new, codes[name]) for name, (_, edges) in lines.items() for at, new in edges)
    now = 0
    for at, new, code in changes:
        if at >= samples:
            break
        if at != now:
            out.append(f"#{at * per_sample}")
            now = at
        out.append(f"{new}{code}")
    out.append(f"#{samples * per_sample}")
    return "\n".join(out) + "\n"


def changes_csv(lines: dict[str, tuple[int, Edges]], *, rate_hz: int, samples: int) -> str:
    """Return a table with a row where any line changes, and one at the end."""
    names = list(lines)
    state = {name: lines[name][0] for name in names}
    rows = [(0, dict(state))]
    for at, new, name in sorted((at, new, name) for name, (_, edges) in lines.items() for at, new in edges):
        if at >= samples:
            break
        state[name] = new
        if rows[-1][0] == at:
            rows[-1] = (at, dict(state))
        else:
            rows.append((at, dict(state)))
    rows.append((samples, dict(state)))
    body = "\n".join(f"{at / rate_hz:.7f}," + ",".join(str(row[name]) for name in names) for at, row in rows)
    return "time_s," + ",".join(names) + "\n" + body + "\n"


def _timescale(rate_hz: int) -> tuple[str, int]:
    for unit, a_second in (("us", 10**6), ("ns", 10**9)):
        ticks = Fraction(a_second, rate_hz)
        if ticks.denominator == 1:
            return unit, int(ticks)
    raise AssertionError("a sample rate that divides a second into whole nanoseconds")


def _with_glitches(edges: Edges, bit: int, samples: int, rng: random.Random, count: int) -> Edges:
    if not edges:
        return edges
    out = list(edges)
    for _ in range(count):
        width = max(1, round(bit * rng.uniform(0.1, 0.25)))
        i = rng.randrange(len(out) - 1)
        room = out[i + 1][0] - out[i][0]
        # Well inside a run of equal bits, so that the pulse moves no edge of its neighbours.
        if room > 3 * bit // 4 + 2 * width:
            at = out[i][0] + rng.randint(width, room - 2 * width)
            level = out[i][1]
            out[i + 1:i + 1] = [(at, 1 - level), (at + width, level)]
    return [edge for edge in out if edge[0] < samples]
