"""A second world of invented instruments, wider and ruder than `blind.py`: one network, every habit drawn by the seed.

All pads, the switched rail and the module's clamps are nodes of one network (Newton's method on the diodes), so that
one line can feed the dead module for all others. What differs from world to world is drawn anew for each seed: the
spread of drivers and pulls, the meter's gain, counts and scatter, the clamp's law, a second supply, blanks, states
that cannot be had with the module out, ways of writing. Shares no code with the solver or with `blind.py`.
"""

from __future__ import annotations

import math
import random
import re
from dataclasses import dataclass, field

import numpy as np

METER = 10e6
STATES = ("idle", "linked", "messen", "hold", "min max", "Licht an", "menu 2", "sleep", "待機", "mV / V")
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


@dataclass
class Line:
    """One pad. `does`: by state 1, 0, None (lets go) or "data"; pulls are (ohm, to) with to "up", "down" or "switched"."""

    name: str
    kind: str
    by: str
    does: dict[str, object] = field(default_factory=dict)
    high_ohm: float = 100.0
    low_ohm: float = 100.0
    one_sided: str = ""
    inner: tuple[float, str] | None = None
    outer: tuple[float, str] | None = None
    clamped: bool = False
    floats_at: float = 0.0
    floats_anew: bool = False
    duty: float = 0.3
    idle: int = 1
    waits: tuple[str, int] | None = None
    role: str = ""
    driver: str = ""


class World:
    """An instrument with its truth; `World(seed)` always gives the same one."""

    def __init__(self, seed: int) -> None:
        for attempt in range(50):
            self.rng = random.Random(f"{seed}/{attempt}")
            self._habits()
            self._instrument()
            if self._judge():
                return
        raise AssertionError("no clear instrument in fifty attempts")

    # -- the world --
    def _log(self, low: float, high: float) -> float:
        return math.exp(self.rng.uniform(math.log(low), math.log(high)))

    def _habits(self) -> None:
        rng = self.rng
        self.supply_v = round(rng.choice([rng.uniform(2.2, 3.4), rng.uniform(2.9, 3.1), rng.uniform(3.2, 5.2)]), 2)
        self.drive = (self._log(10, 60), self._log(120, 800))
        self.pulls = (self._log(2.2e3, 10e3), self._log(100e3, 680e3))
        self.gain = 1 + rng.uniform(-0.005, 0.005)
        self.counts, self.scatter = rng.uniform(0.3, 2.0), rng.choice([0, 0, rng.uniform(0, 0.0015)])
        self.decimals = rng.choice([2, 3, 3])
        self.p_blank = rng.choice([0, 0.05, 0.15, 0.3])
        self.p_drain, self.p_pulled = rng.uniform(0, 0.3), rng.uniform(0.1, 0.5)
        self.p_clamp = rng.choice([1.0, 0.9, 0.5])
        self.shockley = rng.random() < 0.5
        self.sloppy = rng.random() < 0.4
        self.comma = rng.random() < 0.25

    def _instrument(self) -> None:
        rng = self.rng
        self.running = rng.sample(STATES, rng.randint(3, 7))
        self.has_off = rng.random() < 0.6
        self.no_out = {state for state in self.running[1:] if rng.random() < 0.15}
        self.has_switched = rng.random() < 0.7
        self.on = self._pattern() if self.has_switched else dict.fromkeys(self.running, 1)
        self.fed_switched = self.has_switched and rng.random() < 0.6
        self.second_v = self.supply_v * rng.uniform(0.5, 0.92) if rng.random() < 0.12 else 0.0
        self.switch_ohm, self.bleed_ohm = self._log(0.2, 8), self._log(15e3, 2e6)
        self.module_ohm, self.board_ohm = self._log(1e3, 200e3), self._log(300, 300e3)
        kinds = ["ground", "supply", "data"] + ["switched supply"] * self.has_switched + ["second"] * bool(self.second_v)
        while len(kinds) < 6 or (len(kinds) < 16 and rng.random() < 0.85):
            kinds.append(rng.choices(["ground", "supply", "high", "low", "line", "data", "float"],
                                     [0.5, 0.4, 2, 2, 4, 0.6, 1.5])[0])
        rng.shuffle(kinds)
        self.lines = [self._line(f"{i}" if rng.random() < 0.9 else f"TP{i}", kind) for i, kind in enumerate(kinds, 1)]
        self._gate()
        self.blank = {(line.name, state) for line in self.lines for state in self.running if rng.random() < self.p_blank}
        self.known: dict[tuple[str, str], float] = {}

    def _pattern(self) -> dict[str, int]:
        often = self.rng.choice([0.25, 0.5, 0.75])
        while True:
            made = {state: int(self.rng.random() < often) for state in self.running}
            if 0 < sum(made.values()) < len(made):
                return made

    def _resistor(self, low: float, high: float) -> float:
        ohm = self._log(low, high)
        decade = 10.0 ** math.floor(math.log10(ohm))
        return min((value * decade for value in (*E12, 10.0)), key=lambda value: abs(math.log(value / ohm)))

    def _line(self, name: str, kind: str) -> Line:
        rng = self.rng
        line = Line(name, kind, rng.choice(["instrument", "module"]))
        line.high_ohm = self._log(*self.drive)
        line.low_ohm = line.high_ohm * rng.choice([1, rng.uniform(0.5, 2)])
        if kind in ("high", "low"):
            way = "up" if kind == "high" else "down"
            if rng.random() < self.p_pulled:
                line.by = ""
                if rng.random() < 0.5:
                    line.inner = (self._resistor(*self.pulls), way)
                else:
                    line.outer = (self._resistor(*self.pulls), way)
            line.does = dict.fromkeys(self.running, None if not line.by else int(kind == "high"))
            if kind == "low" and rng.random() < 0.03:
                line.by, line.does, line.inner, line.outer = "strap", dict.fromkeys(self.running), None, None
        elif kind == "line":
            line.does = dict(self._pattern())
            if self.has_switched and rng.random() < 0.05:
                line.by, line.does, line.inner = "", dict.fromkeys(self.running), (self._resistor(*self.pulls), "switched")
        elif kind == "data":
            line.idle, line.duty = int(rng.random() < 0.8), rng.uniform(0.05, 0.6)
            flows = dict.fromkeys(self.running, 1) if rng.random() < 0.12 else self._pattern()
            line.does = {state: "data" if on else line.idle for state, on in flows.items()}
        elif kind == "float":
            line.by, line.does = "", dict.fromkeys(self.running)
            line.floats_at = rng.choice([0, 0, 0, rng.uniform(0, 0.1), rng.uniform(0, 0.35)])
            line.floats_anew = rng.random() < 0.25
        else:
            line.by = "rail"
        if kind in ("line", "data") and line.by in ("instrument", "module"):
            if rng.random() < (self.p_drain if kind == "line" else self.p_drain / 3):
                line.one_sided = "low"
                pull = (self._resistor(*self.pulls), "up")
                line.inner, line.outer = rng.choice([(pull, None), (None, pull)])
                line.idle = 1 if kind == "data" else line.idle
                if kind == "data":
                    line.does = {state: "data" if value == "data" else None for state, value in line.does.items()}
            elif line.by == "module" and rng.random() < 0.25:
                line.inner = (self._resistor(*self.pulls), rng.choice(["up", "up", "down"]))
        line.clamped = line.by == "module" or bool(line.outer) or (
            line.kind not in ("float",) and line.by not in ("rail", "strap") and rng.random() < self.p_clamp)
        return line

    def _gate(self) -> None:
        self.gate: tuple[str, str, int] | None = None
        for data in self.lines:
            if data.kind != "data" or data.by != "instrument" or self.gate or self.rng.random() < 0.2:
                continue
            options = [line for line in self.lines if line.kind == "line" and line.by == "module" and not line.one_sided]
            self.rng.shuffle(options)
            for line in options:
                level = self.rng.choice([1, 1, 0])
                flows = [state for state in self.running if self.alive(state) and line.does[state] == level]
                if 0 < len(flows) < len(self.running):
                    rest = None if data.one_sided else data.idle
                    data.does = {state: "data" if state in flows else rest for state in self.running}
                    data.waits, self.gate = (line.name, level), (data.name, line.name, level)
                    break

    def alive(self, state: str) -> bool:
        """Return whether the module has its supply."""
        return not self.fed_switched or bool(self.on[state])

    # -- the truth --
    def _judge(self) -> bool:
        """Set every pad's role and driver from its true volts; return whether all of them are clear."""
        for line in self.lines:
            levels = []
            for state in self.running:
                share = self.volts(line, state) / self.supply_v
                if line.kind not in ("second",) and self._does(line, state, False) != "data":
                    if 0.35 < share < 0.65:
                        return False
                    levels.append(share > 0.5)
            self._name(line, levels)
        return True

    def _name(self, line: Line, levels: list[bool]) -> None:
        line.driver = {"rail": "instrument", "strap": "module", "": "pull"}.get(line.by, line.by)
        if line.by == "rail":
            line.role = "supply" if line.kind == "second" else line.kind
            return
        if line.kind == "float":
            line.role, line.driver = "floating", "nothing"
            return
        sends = any(self._does(line, state, False) == "data" for state in self.running)
        drives = [self._does(line, state, False) for state in self.running]
        if line.one_sided == "low" and not sends and 0 not in drives:
            line.driver = "pull"
        if not sends and line.by == "module" and all(value is None for value in drives):
            line.driver = "pull" if line.inner or line.outer else "nothing"
        line.role = "data" if sends else "floating" if line.driver == "nothing" else "state line" if len(
            set(levels)) == 2 else "fixed high" if levels[0] else "fixed low"

    # -- the network --
    def _does(self, line: Line, state: str, out: bool, driven: tuple[str, int] | None = None) -> object:
        if line.by in ("", "rail", "strap"):
            return None
        if line.by == "module" and (out or not self.alive(state)):
            return None
        does = line.does[state]
        if line.waits and out:
            return "data" if driven == line.waits else None if line.one_sided else line.idle
        if line.one_sided == "low" and does == 1:
            return None
        return does

    def volts(self, line: Line, state: str, *, out: bool = False, load: tuple[float, str] | None = None,
              driven: tuple[str, int] | None = None) -> float:
        """Return the true volts with the meter and a load on one pad; an average where it sends."""
        does = self._does(line, state, out, driven)
        if does != "data":
            return self._solve(line, state, does, out, load)
        rest = None if line.one_sided else line.idle
        resting = self._solve(line, state, rest, out, load)
        return resting + (self._solve(line, state, 1 - line.idle, out, load) - resting) * line.duty

    def _solve(self, probed: Line, state: str, does: object, out: bool, load: tuple[float, str] | None) -> float:
        n = len(self.lines) + 1  # the last node is the switched rail
        rail, v = n - 1, self.supply_v
        g, i = np.zeros((n, n)), np.zeros(n)

        def join(node: int, ohm: float, volts: float) -> None:
            g[node, node] += 1 / ohm
            i[node] += volts / ohm

        def bridge(a: int, b: int, ohm: float) -> None:
            for x, y, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
                g[x, y] += sign / ohm

        join(rail, self.bleed_ohm, 0)
        if self.on[state]:
            join(rail, self.switch_ohm, v)
        if self.fed_switched and not out:
            join(rail, self.module_ohm, 0)
        diodes = []
        for k, line in enumerate(self.lines):
            join(k, 1e10, 0)
            if line.by == "rail":
                if line.kind == "switched supply":
                    bridge(k, rail, 0.05)
                else:
                    join(k, 0.4, {"ground": 0.0, "supply": v, "second": self.second_v}[line.kind])
                continue
            if line.by == "strap" and not out:
                join(k, 0.2, 0)
            if line.kind == "float":
                join(k, 25e6, line.floats_at * v * 3.5)
            for pull in (line.inner, None if out else line.outer):
                if pull and pull[1] == "down":
                    join(k, pull[0], 0)
                elif pull and (pull[1] == "switched" or (pull is line.outer and self.fed_switched)):
                    bridge(k, rail, pull[0])
                elif pull:
                    join(k, pull[0], v)
            what = does if line is probed else self._does(line, state, out)
            if what == "data":
                what = None if line.one_sided else line.idle
            if what in (0, 1):
                join(k, line.high_ohm if what else line.low_ohm, v if what else 0.0)
            if line.clamped and self.fed_switched and not out:
                diodes.append(k)
        node = self.lines.index(probed)
        join(node, METER, 0)
        if load:
            join(node, load[0], v if load[1] == "supply" else 0.0)
        return self._newton(g, i, diodes, rail)[node]

    def _newton(self, g: np.ndarray, i: np.ndarray, diodes: list[int], rail: int) -> list[float]:
        if not diodes:
            return [float(x) for x in np.linalg.solve(g, i)]
        x = np.linalg.solve(g, i)
        drop = {k: min(max(float(x[k] - x[rail]), 0.0), 0.55) for k in diodes}
        for _ in range(200):
            gg, ii = g.copy(), i.copy()
            for k in diodes:
                slope, amps = self._diode(drop[k])
                rest = amps - slope * drop[k]
                gg[k, k] += slope
                gg[rail, rail] += slope
                gg[k, rail] -= slope
                gg[rail, k] -= slope
                ii[k] -= rest
                ii[rail] += rest
            x = np.linalg.solve(gg, ii)
            new = {k: float(x[k] - x[rail]) for k in diodes}
            worst = max(abs(new[k] - drop[k]) for k in diodes)
            drop = {k: drop[k] + max(-0.3, min(0.04, new[k] - drop[k])) if self.shockley else new[k] for k in diodes}
            if worst < 1e-7:
                break
        return [float(value) for value in x]

    def _diode(self, drop: float) -> tuple[float, float]:
        """Return slope and current. Shockley's law, 0.65 V at 1 mA (emission coefficient 1.2); or 0.6 V and 20 ohm."""
        if self.shockley:
            nv = 1.2 * 0.02585
            amps = 1e-3 * math.exp((min(drop, 0.9) - 0.65) / nv)
            return amps / nv + 1e-12, amps
        return (1 / 20, (drop - 0.6) / 20) if drop > 0.6 else (1e-12, 0.0)

    # -- the meter --
    def answer(self, name: str, column: str) -> str:
        """Return what is written into a cell; blank where it cannot be had."""
        line = next(one for one in self.lines if one.name == name)
        if column.startswith("cells out"):
            return self._ohms(line)
        state = "off" if column == "off" or column.startswith("off /") else max(
            (one for one in self.running if column == one or column.startswith(one + " / ")), key=len)
        tests = column[len(state):].split(" / ")[1:]
        if state == "off":
            return self._shown(0.0)
        out = "module out" in tests
        if out and state in self.no_out:
            return ""
        load, driven = None, None
        for test in tests:
            if found := re.fullmatch(r"([\d.]+)([kM]?) to (ground|supply)", test):
                load = (float(found[1]) * {"": 1, "k": 1e3, "M": 1e6}[found[2]], found[3])
                self._allow(line, state, out, load)
            elif found := re.fullmatch(r"pad (.+) (high|low) through ([\d.]+)([kM]?)", test):
                assert out, "two drivers fight"
                driven = (found[1], int(found[2] == "high"))
                other = next(one for one in self.lines if one.name == found[1])
                self._allow(other, state, out, (float(found[3]) * {"": 1, "k": 1e3, "M": 1e6}[found[4]],
                                                "supply" if driven[1] else "ground"))
        does = self._does(line, state, out, driven)
        if tests and tests[-1] in ("ac", "hz"):
            return self._moving(line, does, tests[-1])
        volts = self.volts(line, state, out=out, load=load, driven=driven)
        if does == "data":
            volts *= 1 + self.rng.uniform(-0.015, 0.015)
            if self.rng.random() < 0.25:
                return f"{self._shown(volts * 0.7)}..{self._shown(min(volts * 1.2, self.supply_v))}"
        if line.kind == "float" and line.floats_anew and not load:
            volts += self.rng.uniform(0, 0.06) * self.supply_v
        return self._shown(volts)

    def _allow(self, line: Line, state: str, out: bool, load: tuple[float, str]) -> None:
        """Refuse a resistor that carries a milliampere or more in the true circuit, whatever the pad does."""
        end = self.supply_v if load[1] == "supply" else 0.0
        for does in (0, 1, None) if line.by in ("instrument", "module") else (None,):
            if line.by == "module" and out:
                continue
            amps = abs(self._solve(line, state, does, out, load) - end) / load[0]
            assert amps < 1e-3, f"{amps} A"
        assert state != "off"

    def _moving(self, line: Line, does: object, what: str) -> str:
        if does == "data":
            rms = self.supply_v * math.sqrt(line.duty * (1 - line.duty))
            if what == "ac":
                return f"{rms * self.rng.uniform(0.7, 1.05):.3f}"
            return f"{self.rng.uniform(40, 5000):.0f}" if self.rng.random() < 0.85 else "0"
        loose = line.kind == "float"
        if what == "ac":
            return f"{self.rng.uniform(0, 0.08 if loose and self.rng.random() < 0.3 else 0.003):.3f}"
        return "50" if loose and self.rng.random() < 0.3 else "0"

    def _ohms(self, line: Line) -> str:
        if line.kind == "ground" or line.by == "strap":
            return f"{self.rng.uniform(0.1, 0.7):.1f}"
        paths = [pull[0] + (0 if pull[1] == "down" else self.board_ohm) for pull in (line.inner, line.outer) if pull]
        if line.by == "rail":
            paths.append(self.board_ohm if line.kind != "switched supply" else 1 / (
                1 / self.bleed_ohm + (1 / self.module_ohm if self.fed_switched else 0)))
        if not paths:
            return "OL" if line.kind == "float" or self.rng.random() < 0.75 else f"{10 ** self.rng.uniform(5.3, 7):.3g}"
        ohm = 1 / sum(1 / path for path in paths)
        return f"{ohm * (1 + self.rng.uniform(-0.01, 0.01)) / 1e3:.3g}k"

    def _shown(self, volts: float) -> str:
        volts *= self.gain * (1 + self.rng.gauss(0, self.scatter))
        volts += self.rng.uniform(-self.counts, self.counts) * 10**-self.decimals
        text = f"{max(volts, 0):.{self.decimals}f}"
        if self.sloppy:
            text = self.rng.choice([text, text, text + " V", text + "V", f"{float(text):g}"])
        return text

    # -- the survey --
    def survey(self) -> dict[str, dict[str, str]]:
        """Return the first survey: column to pad to text; some worlds hold a few tests already."""
        rng = self.rng
        columns = {"off": {line.name: self.answer(line.name, "off") for line in self.lines}} if self.has_off else {}
        for state in self.running:
            columns[state] = {line.name: "" if (line.name, state) in self.blank else self.answer(line.name, state)
                              for line in self.lines}
        more = []
        if rng.random() < 0.25:
            more.append(("cells out / ohms to ground", 0.7))
        if rng.random() < 0.2:
            more.append((f"{rng.choice(self.running)} / module out", 1.0))
        if rng.random() < 0.2:
            load = 10 if self.supply_v < 9 else 22
            more.append((f"{rng.choice(self.running)} / {load}k to {rng.choice(['ground', 'supply'])}", 0.4))
        if rng.random() < 0.15:
            more.append((f"{rng.choice(self.running)} / {rng.choice(['ac', 'hz'])}", 0.6))
        for column, share in more:
            columns[column] = {line.name: self.answer(line.name, column) for line in self.lines if rng.random() < share}
        return columns

    def text(self, columns: dict[str, dict[str, str]]) -> str:
        """Return a survey as a CSV file, with decimal commas and semicolons in some worlds."""
        mark = ";" if self.comma else ","
        rows = [mark.join(["pad", *columns])]
        for line in self.lines:
            cells = [cells.get(line.name, "") for cells in columns.values()]
            if self.comma:
                cells = [re.sub(r"(\d)\.(\d)", r"\1,\2", cell) for cell in cells]
            rows.append(mark.join([line.name, *cells]))
        return "\n".join(rows) + "\n"

    def exhaustive(self) -> int:
        """Return how many cells a survey of everything has beyond the plain one: two loads a state, in and out; ohms."""
        return len(self.lines) * (len(self.running) * 4 + 1) + len(self.running)

    def carry_out(self, columns: dict[str, dict[str, str]], entry: dict[str, object]) -> None:
        """Make the measurement (or trial) of one `next` entry and write it into the survey."""
        if "drive" in entry:
            ohm = float(str(entry["through_ohm"]))
            through = f"{ohm / 1e3:g}k" if ohm >= 1e3 else f"{ohm:g}"
            column = f"{entry['state']} / pad {entry['pad']} {entry['drive']} through {through}"
            names = [str(entry["watch"])]
        else:
            column = f"{entry['state']} / {entry['load']}" if entry["load"] else str(entry["state"])
            names = [line.name for line in self.lines] if entry["load"] == "module out" else [str(entry["pad"])]
        cells = columns.setdefault(column, {})
        for name in names:
            assert not cells.get(name), f"asked again: {column}, pad {name}"
            cells[name] = self.answer(name, column)
