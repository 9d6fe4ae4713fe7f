"""Invented instruments with known pads, for blind tests: a nodal circuit simulator that shares no code with the solver.

`Instrument.invent(seed)` makes one; `answer(pad, column)` is what a meter would show there, as text. The network is
solved whole for every cell: pads, the module's rail, pulls, drivers and clamp diodes (0.6 V and 20 ohm, piecewise
linear), the meter's 10 Mohm and the load under test.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass, field

import numpy as np

METER_OHM = 10e6
DIODE_V, DIODE_OHM = 0.6, 20.0


@dataclass
class Style:
    """How an invented world differs from another: all that a solver must not depend on."""

    gain: float = 0.005  # the meter's gain error is uniform within this
    counts: float = 2.0  # and each reading off by up to this many counts
    each_gain: float = 0.0  # scatter of single readings
    driver: tuple[float, float] = (25.0, 400.0)
    rail: tuple[float, float] = (0.1, 2.0)
    pull: tuple[float, float] = (4.7e3, 220e3)
    open_drain: float = 0.15
    blank: float = 0.1
    decimals: tuple[int, ...] = (2, 3)
    float_v: float = 0.15
    fixed_float: float = 0.7
    module_fed_by_main: float = 0.3
    pull_share: float = 0.35
    duty: tuple[float, float] = (0.1, 0.7)
    clamp: float = 0.5
    sag: float = 0.0  # spread of the supply from state to state, relative


@dataclass
class Pad:
    """One pad's circuit: a driver on a board, pulls on either, and what it does in each state (1, 0, "data", None)."""

    name: str
    role: str
    driver: str
    does: dict[str, object] = field(default_factory=dict)
    high_ohm: float = 100.0
    low_ohm: float = 100.0
    drain: str = ""  # "low": open drain, drives low only; "high": drives high only
    pull_i: tuple[float, str] | None = None  # ohms, "up" or "down"
    pull_m: tuple[float, str] | None = None
    clamp: bool = False  # the module's chip clamps it to the module's rail
    float_v: float = 0.0
    duty: float = 0.3
    idle: int = 1
    waits_for: str = ""
    waits_level: int = 1


class Instrument:
    """An instrument, its module and its pads, with the truth about them."""

    def __init__(self, rng: random.Random, style: Style) -> None:
        self.rng, self.style = rng, style
        self.supply_v = rng.choice([2.7, 3.0, 3.0, 3.0, 3.3, 3.3, 4.5, 5.0])
        names = rng.sample(["idle", "linked", "measure", "hold", "min max", "light", "menu", "sleep"], rng.randint(3, 6))
        self.running = names
        self.has_off = rng.random() < 0.5
        self.decimals = rng.choice(style.decimals)
        self.meter_gain = 1 + rng.uniform(-style.gain, style.gain)
        self.sag = {state: 1 + rng.uniform(-style.sag, style.sag) for state in names}
        self.board_ohm = 10 ** rng.uniform(3, 5)
        self.off_supply_up = rng.random() < 0.4
        self.module_rail_ohm = 10 ** rng.uniform(3, 5)  # what the module draws its rail down with
        self.bleed_ohm = 10 ** rng.uniform(4.3, 6.3)
        self.switched_ohm = rng.uniform(*style.rail) + 0.2
        self.pads: list[Pad] = []
        self.blank: set[tuple[str, str]] = set()

    @classmethod
    def invent(cls, seed: int, style: Style | None = None) -> Instrument:
        """Return an instrument; the same seed and style give the same one."""
        rng = random.Random(seed)
        self = cls(rng, style or Style())
        self.switched = dict.fromkeys(self.running, True)
        self.has_switched = rng.random() < 0.75
        if self.has_switched:
            self.switched = self._pattern()
        self.fed_by_main = not self.has_switched or rng.random() < self.style.module_fed_by_main
        roles = ["ground", "supply", "data"] + (["switched supply"] if self.has_switched else [])
        while len(roles) < 6 or (len(roles) < 16 and rng.random() < 0.86):
            roles.append(rng.choices(["ground", "supply", "fixed high", "fixed low", "state line", "data", "floating"],
                                     [0.5, 0.4, 2, 2, 4, 0.7, 1.6])[0])
        rng.shuffle(roles)
        for i, role in enumerate(roles, 1):
            self.pads.append(self._pad(str(i), role))
        self._gate()
        for pad in self.pads:
            self._settle(pad)
        for pad in self.pads:
            for state in self.running:
                if rng.random() < self.style.blank and pad.role not in ("supply",):
                    self.blank.add((pad.name, state))
        return self

    # -- making --
    def _pattern(self) -> dict[str, bool]:
        while True:
            made = {state: self.rng.random() < 0.5 for state in self.running}
            if 0 < sum(made.values()) < len(made):
                return made

    def _log(self, limits: tuple[float, float]) -> float:
        return float(np.exp(self.rng.uniform(np.log(limits[0]), np.log(limits[1]))))

    def _pull(self, way: str) -> tuple[float, str]:
        return self._log(self.style.pull), way

    def alive(self, state: str) -> bool:
        """Return whether the module has its supply."""
        return self.fed_by_main or self.switched[state]

    def _pad(self, name: str, role: str) -> Pad:
        rng, style = self.rng, self.style
        side = "instrument" if rng.random() < 0.55 else "module"
        pad = Pad(name, role, side, high_ohm=self._log(style.driver), low_ohm=self._log(style.driver))
        pad.clamp = rng.random() < style.clamp
        if role in ("ground", "supply", "switched supply"):
            pad.driver, pad.clamp = "instrument", False
            pad.high_ohm = pad.low_ohm = self._log(style.rail)
        elif role in ("fixed high", "fixed low"):
            high = role == "fixed high"
            if rng.random() < style.pull_share:
                pad.driver, pad.does = "pull", dict.fromkeys(self.running)
                way = "up" if high else "down"
                if rng.random() < 0.5:
                    pad.pull_i = self._pull(way)
                else:
                    pad.pull_m, pad.clamp = self._pull(way), True
            else:
                pad.does = dict.fromkeys(self.running, int(high))
        elif role == "state line":
            pad.does = {state: int(on) for state, on in self._pattern().items()}
            if rng.random() < style.open_drain:
                pad.drain = "low"
                if rng.random() < 0.5:
                    pad.pull_i = self._pull("up")
                else:
                    pad.pull_m = self._pull("up")
        elif role == "data":
            pad.idle = 1 if rng.random() < 0.8 else 0
            pad.duty = rng.uniform(*style.duty)
            pad.does = {state: "data" if on else pad.idle for state, on in self._pattern().items()}
            if rng.random() < 0.15:
                pad.does = dict.fromkeys(self.running, "data")
        else:
            pad.driver, pad.clamp = "nothing", False
            pad.float_v = rng.choice([0.0, 0.0, rng.uniform(0, style.float_v)]) * self.supply_v
            pad.does = dict.fromkeys(self.running)
        if pad.driver == "module" and role in ("fixed low", "state line", "data", "fixed high"):
            pad.clamp = True
            if not pad.drain and rng.random() < 0.25:
                pad.pull_i = self._pull(rng.choice(["up", "up", "down"]))
        return pad

    def _gate(self) -> None:
        """Let one data line of the instrument wait for a line of the module where there is one."""
        self.gate: tuple[str, int] | None = None
        lines = [pad for pad in self.pads if pad.role == "state line" and pad.driver == "module" and not pad.drain]
        for pad in self.pads:
            if pad.role == "data" and pad.driver == "instrument" and lines and self.gate is None \
                    and self.rng.random() < 0.8:
                line = self.rng.choice(lines)
                level = self.rng.choice([0, 1, 1])
                ons = {state for state in self.running if self.alive(state) and line.does[state] == level}
                if 0 < len(ons) < len(self.running):
                    pad.does = {state: "data" if state in ons else pad.idle for state in self.running}
                    pad.waits_for, pad.waits_level, self.gate = line.name, level, (line.name, level)

    def _settle(self, pad: Pad) -> None:
        """Set the role by the levels that the circuit really takes, as the contract defines roles."""
        if pad.driver == "module":
            for state in self.running:
                if not self.alive(state):
                    pad.does[state] = None
        if pad.role in ("fixed high", "fixed low", "state line"):
            levels = {self.volts(pad, state) > self.supply_v / 2 for state in self.running}
            pad.role = "state line" if len(levels) == 2 else "fixed high" if levels == {True} else "fixed low"
            if pad.driver == "module" and not any(self.alive(state) and pad.does[state] is not None
                                                  for state in self.running):
                pad.driver = "nothing" if pad.pull_i is None else "pull"
                pad.role = "floating" if pad.pull_i is None else pad.role
            # An open drain that never pulls low in a state with supply is held by its resistor alone.
            if pad.drain == "low" and not any(value == 0 for value in pad.does.values()):
                pad.driver = "pull"
        if pad.role == "data" and not any(value == "data" for value in pad.does.values()):
            pad.role = "fixed high" if pad.idle else "fixed low"
            self._settle(pad)

    # -- measuring --
    def volts(self, pad: Pad, state: str, *, out: bool = False, load: tuple[float, str] | None = None) -> float:
        """Return the true volts (an average where it sends) with a meter and a load on this pad alone."""
        does = pad.does.get(state)
        if does == "data":
            if out and pad.driver == "instrument" and pad.waits_for:
                return self._solve(pad, state, pad.idle, out, load)
            if out and pad.driver == "module":
                return self._solve(pad, state, None, out, load)
            resting = self._solve(pad, state, pad.idle, out, load)
            moved = self._solve(pad, state, 1 - pad.idle, out, load)
            return resting + (moved - resting) * pad.duty
        if pad.driver == "module" and out:
            does = None
        return self._solve(pad, state, does, out, load)

    def _solve(self, pad: Pad, state: str, does: object, out: bool, load: tuple[float, str] | None) -> float:
        supply = self.supply_v * self.sag[state]
        alive = self.alive(state)
        # Nodes: 0 the pad, 1 the rail of the module (or the switched supply itself).
        g = np.zeros((2, 2))
        i = np.zeros(2)

        def join(node: int, ohm: float, volts: float) -> None:
            g[node, node] += 1 / ohm
            i[node] += volts / ohm

        def bridge(ohm: float) -> None:
            g[0, 0] += 1 / ohm
            g[1, 1] += 1 / ohm
            g[0, 1] -= 1 / ohm
            g[1, 0] -= 1 / ohm

        join(0, METER_OHM, 0)
        if load:
            join(0, load[0], self.supply_v if load[1] == "supply" else 0.0)
        if pad.role == "floating" or pad.driver == "nothing":
            join(0, 20e6, pad.float_v * 3)
        if pad.role == "ground":
            join(0, pad.low_ohm, 0)
        if pad.role == "supply":
            join(0, pad.high_ohm, supply)
        rail_on = alive if pad.role != "switched supply" else self.switched[state]
        if rail_on:
            join(1, self.switched_ohm if self.has_switched else 0.5, supply)
        else:
            join(1, self.bleed_ohm, 0)
            if not out and (pad.role != "switched supply" or not self.fed_by_main):
                join(1, self.module_rail_ohm, 0)
        if pad.role == "switched supply":
            bridge(0.05)
        if does in (0, 1) and not (pad.drain == "low" and does == 1) and not (pad.drain == "high" and does == 0):
            join(0, pad.high_ohm if does else pad.low_ohm, supply * float(does))  # type: ignore[arg-type]
        if pad.pull_i:
            join(0, pad.pull_i[0], supply if pad.pull_i[1] == "up" else 0.0)
        if pad.pull_m and not out:
            if pad.pull_m[1] == "up":
                bridge(pad.pull_m[0])
            else:
                join(0, pad.pull_m[0], 0.0)
        volts = np.linalg.solve(g, i)
        if pad.clamp and not out and volts[0] - volts[1] > DIODE_V:
            bridge(DIODE_OHM)
            i[0] += DIODE_V / DIODE_OHM
            i[1] -= DIODE_V / DIODE_OHM
            volts = np.linalg.solve(g, i)
        return float(volts[0])

    def ohms(self, pad: Pad) -> float:
        """Return the ohms to ground with the cells out and the module in."""
        if pad.role == "ground":
            return self.rng.uniform(0.1, 0.6)
        paths = []
        for pull in (pad.pull_i, pad.pull_m):
            if pull:
                paths.append(pull[0] + (self.board_ohm if pull[1] == "up" else 0))
        if pad.role == "supply":
            paths.append(self.board_ohm)
        if pad.role == "switched supply":
            paths.append(self.bleed_ohm if self.fed_by_main else
                         1 / (1 / self.bleed_ohm + 1 / self.module_rail_ohm))
        if not paths:
            return float("inf") if self.rng.random() < 0.8 else 10 ** self.rng.uniform(5.5, 7)
        return 1 / sum(1 / path for path in paths)

    def answer(self, name: str, column: str) -> str:
        """Return what the meter shows: text for a cell, blank where it cannot be had."""
        pad = next(pad for pad in self.pads if pad.name == name)
        if column.startswith("cells out"):
            ohm = self.ohms(pad)
            return "OL" if ohm > 4e7 else f"{ohm * (1 + self.rng.uniform(-0.01, 0.01)):.3g}"
        state, *tests = column.split(" / ")
        if state == "off":
            up = self.off_supply_up and (pad.role == "supply" or bool(pad.pull_i and pad.pull_i[1] == "up"
                                                                      and pad.driver == "pull"))
            return self._shown(self.supply_v if up else 0.0)
        out = "module out" in tests
        load = None
        for test in tests:
            if found := re.fullmatch(r"([\d.]+)([kM]?) to (ground|supply)", test):
                load = (float(found[1]) * {"": 1, "k": 1e3, "M": 1e6}[found[2]], found[3])
                assert self.supply_v / load[0] < 1e-3, "over a milliampere"
            if found := re.fullmatch(r"pad (.+) (high|low) through .*", test):
                waits = pad.waits_for == found[1] and pad.waits_level == (found[2] == "high")
                if pad.role == "data" and waits and pad.driver == "instrument":
                    return self._shown(self.volts(pad, next(s for s in self.running if pad.does[s] == "data")))
                if found[1] == name:
                    return ""
        volts = self.volts(pad, state, out=out, load=load)
        sends = pad.does.get(state) == "data" and not (out and (pad.waits_for or pad.driver == "module"))
        if sends:
            volts *= 1 + self.rng.uniform(-0.02, 0.02)
            if self.rng.random() < 0.25:
                return f"{self._shown(volts * 0.6)}..{self._shown(min(volts * 1.3, self.supply_v))}"
        loose = pad.role == "floating" and load is None
        if loose and self.rng.random() > self.style.fixed_float:
            volts += self.rng.uniform(0, 0.05) * self.supply_v
        return self._shown(volts)

    def _shown(self, volts: float) -> str:
        style = self.style
        volts = volts * self.meter_gain * (1 + self.rng.gauss(0, style.each_gain)) if volts else 0.0
        volts += self.rng.uniform(-style.counts, style.counts) * 10**-self.decimals
        return f"{max(volts, 0):.{self.decimals}f}"

    def survey(self) -> dict[str, dict[str, str]]:
        """Return the first survey: column heading to pad to text, plain columns alone."""
        columns: dict[str, dict[str, str]] = {}
        if self.has_off:
            columns["off"] = {pad.name: self.answer(pad.name, "off") for pad in self.pads}
        for state in self.running:
            columns[state] = {pad.name: "" if (pad.name, state) in self.blank else self.answer(pad.name, state)
                              for pad in self.pads}
        return columns

    def text(self, columns: dict[str, dict[str, str]]) -> str:
        """Return a survey as a CSV file."""
        rows = [",".join(["pad", *columns])]
        rows += [",".join([pad.name, *(cells.get(pad.name, "") for cells in columns.values())]) for pad in self.pads]
        return "\n".join(rows) + "\n"

    def carry_out(self, columns: dict[str, dict[str, str]], ask: dict[str, str]) -> None:
        """Make one measurement that `next` asked for and write it into the survey."""
        column = f"{ask['state']} / {ask['load']}" if ask["load"] else ask["state"]
        cells = columns.setdefault(column, {})
        wanted = [pad.name for pad in self.pads] if ask["load"] == "module out" else [ask["pad"]]
        for name in wanted:
            assert not cells.get(name), "asked again"
            cells[name] = self.answer(name, column)
