"""The pretend instrument's pads: what a meter reads on each, state by state, and who holds it there.

Each pad is a source behind a resistance; a 10 Mohm meter or a load divides it. Pad 5 rises when a phone has linked
and opens the data flow on pad 3.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from tapwright.synth.instrument import Pretend
from tapwright.synth.wire import Edges, Sent, levels

SUPPLY_V = 2.9
METER_OHM = 10e6
STATES = ("off", "on", "seeking", "linked")
OFF, HIGH, LOW, NOTHING = 0.0, 1.0, 0.0, None


@dataclass(frozen=True, kw_only=True)
class Pad:
    """One pad: its level as a share of the supply in each state (None: nothing drives it) and its source in ohms."""

    name: str
    note: str
    levels: tuple[float | None, ...]
    source_ohm: float
    role: str
    driver: str


def pads(data_average: float) -> tuple[Pad, ...]:
    """Return the pads; `data_average` is the data line's mean level while it sends, as a share of the supply."""
    return (
        Pad(name="1", note="wide trace", levels=(LOW, LOW, LOW, LOW), source_ohm=0.2, role="ground",
            driver="instrument"),
        Pad(name="2", note="next to the cells", levels=(OFF, HIGH, HIGH, HIGH), source_ohm=0.4, role="supply",
            driver="instrument"),
        Pad(name="3", note="", levels=(OFF, HIGH, HIGH, data_average), source_ohm=120, role="data",
            driver="instrument"),
        Pad(name="4", note="", levels=(OFF, HIGH, HIGH, HIGH), source_ohm=47e3, role="fixed high", driver="pull"),
        Pad(name="5", note="", levels=(OFF, LOW, LOW, HIGH), source_ohm=150, role="state line", driver="module"),
        Pad(name="6", note="", levels=(OFF, LOW, HIGH, HIGH), source_ohm=90, role="state line", driver="instrument"),
        Pad(name="7", note="no trace seen", levels=(NOTHING,) * 4, source_ohm=0, role="floating", driver="nothing"),
        Pad(name="8", note="", levels=(OFF, HIGH, HIGH, HIGH), source_ohm=2.0, role="supply", driver="instrument"),
    )


def survey_csv(meter: Pretend, rng: random.Random) -> str:
    """Return a survey as a person writes it: volts by state, two loads tried, some cells left blank."""
    bytes_s = meter.frame_bytes / meter.period_s
    busy = bytes_s * (10 + (meter.parity != "N")) / meter.baud
    rows = ["pad,note,off,on,seeking,linked,linked / 10k to ground,cells out / ohms to ground"]
    for pad in pads(1 - 0.45 * min(busy, 1)):
        cells = [_volts(pad, i, None, rng) for i in range(4)]
        loaded = _volts(pad, 3, 10e3, rng) if pad.name in ("3", "5", "7") else ""
        ohms = {"1": "0.2", "2": "OL", "8": "OL"}.get(pad.name, "")
        if pad.name == "6" and rng.random() < 0.5:
            cells[2] = ""
        rows.append(",".join([pad.name, pad.note, *cells, loaded, ohms]))
    return "\n".join(rows) + "\n"


def linking(meter: Pretend, frames: list[bytes], rng: random.Random, *, rate_hz: int,
            ) -> tuple[dict[str, tuple[int, Edges]], int]:
    """Return a capture of pads 3, 5 and 6 over three links (lines by pad name) and its number of samples."""
    state: Edges = []
    sent: list[Sent] = []
    t, number = 0.8, 0
    for _ in range(3):
        state.append((round(t * rate_hz), 1))
        at = t + rng.uniform(0.11, 0.14)
        until = t + rng.uniform(1.6, 2.4)
        while at < until:
            sent.append(Sent(t_s=at, frame=frames[number % len(frames)]))
            at += meter.period_s
            number += 1
        t = at + rng.uniform(0.01, 0.03)
        state.append((round(t * rate_hz), 0))
        t += rng.uniform(0.9, 1.5)
    data = levels(meter, sent, rate_hz=rate_hz, seconds=t, rng=rng)
    return {"pad3": (1, data), "pad5": (0, state), "pad6": (1, [])}, round(t * rate_hz)


def _volts(pad: Pad, state: int, load_ohm: float | None, rng: random.Random) -> str:
    share = pad.levels[state]
    if share is None:
        return f"{abs(rng.gauss(0.03, 0.01)) if load_ohm is None else 0.0:.3f}"
    to_ground = METER_OHM if load_ohm is None else load_ohm * METER_OHM / (load_ohm + METER_OHM)
    volts = share * SUPPLY_V * to_ground / (to_ground + pad.source_ohm)
    return f"{abs(volts * (1 + rng.gauss(0, 0.0015)) + rng.gauss(0, 0.001)):.3f}"
