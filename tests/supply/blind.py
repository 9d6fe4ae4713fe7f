"""Blind supply plans and a second computation of them, sharing no code with tapwright.

`plan(seed)` draws a plan as a plain dictionary, `toml(plan)` writes it, `expected(plan)` computes what the contract's
`supply` section says of it: one plain number at a time, operating points by bisection, and the run by a stiff
integration in time (scipy's Radau with one event a check).
"""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
from scipy.integrate import solve_ivp

Plan = dict


def plan(seed: int) -> Plan:
    """Draw a plan; about half of them work or run for a while."""
    r = random.Random(seed)
    kind = r.choice(["boost", "boost", "boost", "buck-boost", "linear", "none"])
    series = r.choice([1, 2, 2, 2, 3, 4]) if kind in ("boost", "buck-boost") else r.choice([3, 4, 5])
    out: Plan = {"cells": _cells(r, series)}
    with_regulator = r.random() < 0.5
    if kind == "none":
        board_v = r.choice([2.5, 2.8, 3.0])
        with_regulator = r.random() < 0.7
    else:
        board_v = 3.3
    converter: Plan = {"kind": kind}
    if kind in ("boost", "buck-boost"):
        converter["output_v"] = r.choice([4.0, 5.0]) if with_regulator else 3.3
        converter["efficiency"] = _grid(r) if r.random() < 0.4 else r.uniform(0.7, 0.96)
        if r.random() < 0.7:
            converter["input_min_v"] = r.uniform(0.5, 1.1) * max(1, series / 2)
        if r.random() < 0.6:
            converter["start_v"] = r.uniform(0.7, 1.0) * series
    elif kind == "linear":
        converter["output_v"] = board_v if not with_regulator else board_v + 0.3
        converter["dropout_v"] = r.uniform(0.05, 0.2)
        if r.random() < 0.5:
            converter["input_min_v"] = r.uniform(2.0, 3.0)
    _maybe(r, converter, "quiescent_a", 1e-6, 5e-4)
    _maybe(r, converter, "shutdown_a", 1e-8, 2e-6)
    _maybe(r, converter, "input_max_v", 1.7 * series, 2.2 * series)
    _maybe(r, converter, "input_max_a", 0.8, 3.0)
    _maybe(r, converter, "output_max_a", 0.4, 1.0)
    _maybe(r, converter, "enable_high_v", 0.7, 1.4)
    if r.random() < 0.3:
        converter["load_disconnect"] = r.random() < 0.5
    out["converter"] = converter
    if with_regulator:
        out["regulator"] = {"output_v": board_v, "dropout_v": r.uniform(0.05, 0.3)}
        _maybe(r, out["regulator"], "quiescent_a", 1e-6, 1e-4)
    if r.random() < 0.6:
        out["board"] = {"min_v": board_v * r.uniform(0.8, 0.97), "max_v": board_v * r.uniform(1.03, 1.3)}
    if r.random() < 0.8:
        switch: Plan = {"kind": r.choice(["enable", "mosfet"])}
        _maybe(r, switch, "max_a", 0.3, 3.0)
        _maybe(r, switch, "ohm", 0.02, 0.3)
        _maybe(r, switch, "control_v", 1.0, 5.0)
        _maybe(r, switch, "full_on_v", 1.0, 2.5)
        _maybe(r, switch, "off_a", 0.0, 1e-6)
        out["switch"] = switch
    if r.random() < 0.8:
        out["instrument"] = {"amps": r.uniform(0.0, 0.02)}
        _maybe(r, out["instrument"], "off_a", 1e-7, 5e-6)
        _maybe(r, out["instrument"], "low_v", 0.7 * series, 1.0 * series)
    loads = [{"amps": r.uniform(0.01, 0.12)}]
    for _ in range(r.choice([0, 1, 1, 2, 3])):
        every = 10 ** r.uniform(-2, 2)
        loads.append({"amps": r.uniform(0.02, 0.2), "seconds": every * r.uniform(0.001, 0.6), "every_s": every})
    r.shuffle(loads)
    out["load"] = loads
    if r.random() < 0.7:
        out["use"] = {"hours_per_day": r.choice([0.0, 0.5, 2.0, 24.0, r.uniform(0, 24)])}
        _maybe(r, out["use"], "shelf_days", 10, 400)
    return out


def _cells(r: random.Random, series: int) -> Plan:
    rows, mah, volts, ohm = [], 0.0, r.uniform(1.4, 1.7), r.uniform(0.03, 0.25)
    for _ in range(r.randint(2, 6)):
        rows.append([mah, volts, ohm])
        mah, volts, ohm = mah + r.uniform(200, 900), volts - r.uniform(0.03, 0.2), ohm * r.uniform(0.95, 1.5)
    cells: Plan = {"series": series, "curve": rows}
    if r.random() < 0.6:
        cells["open_v"] = series * r.uniform(rows[-1][1] * 0.98, rows[0][1] * 1.02)
    _maybe(r, cells, "ohm", 0.05, 0.35)
    _maybe(r, cells, "contact_ohm", 0.01, 0.2)
    return cells


def _grid(r: random.Random) -> list[list[float]]:
    volts, amps = sorted(r.uniform(0.8, 6) for _ in range(r.randint(1, 4))), sorted(r.uniform(0.01, 0.5)
                                                                                    for _ in range(r.randint(1, 4)))
    rows = [[v, a, min(0.97, 0.7 + 0.04 * v - 0.1 * a + r.uniform(0, 0.08))] for v in volts for a in amps]
    r.shuffle(rows)
    return rows


def _maybe(r: random.Random, table: Plan, key: str, low: float, high: float) -> None:
    if r.random() < 0.6:
        table[key] = r.uniform(low, high)


def toml(given: Plan) -> str:
    """Write a plan as TOML."""
    lines = []
    for name, table in given.items():
        for item in table if isinstance(table, list) else [table]:
            lines.append(f"[[{name}]]" if isinstance(table, list) else f"[{name}]")
            for key, value in item.items():
                text = str(value).lower() if isinstance(value, bool) else f'"{value}"' if isinstance(value, str) \
                    else repr(value)
                lines.append(f"{key} = {text}")
    return "\n".join(lines) + "\n"


class Second:
    """The second computation; every quantity is one plain number."""

    def __init__(self, p: Plan) -> None:
        self.p, self.cells, self.conv = p, p["cells"], p["converter"]
        self.kind, self.reg = self.conv["kind"], p.get("regulator")
        self.switch, self.inst = p.get("switch"), p.get("instrument", {})
        self.n, self.curve = self.cells["series"], self.cells["curve"]
        own = self.reg.get("quiescent_a", 0.0) if self.reg else 0.0
        self.steady = own + sum(x["amps"] for x in p["load"] if "seconds" not in x)
        self.pulses = [x for x in p["load"] if "seconds" in x]
        self.burst = self.steady + sum(x["amps"] for x in self.pulses)
        self.own_a = 0.0 if self.kind == "none" else self.conv.get("quiescent_a", 0.0)
        self.least = self.conv.get("input_min_v", 0.0)
        self.switch_ohm = self.switch.get("ohm", 0.0) if self.switch and self.switch["kind"] == "mosfet" else 0.0
        self.inst_a = self.inst.get("amps", 0.0)
        self.lines: dict[float, tuple[list[float], list[float]]] = {}
        self.q0 = self.curve[0][0]
        if "open_v" in self.cells:
            self.q0 = self.drawn(self.cells["open_v"] / self.n)
        self.scale = self.cells["ohm"] / self.row(self.q0, 2) if "ohm" in self.cells else 1.0

    def row(self, q: float, i: int) -> float:
        for a, b in itertools.pairwise(self.curve):
            if q <= b[0]:
                return a[i] + (b[i] - a[i]) * max(0.0, q - a[0]) / (b[0] - a[0])
        return self.curve[-1][i]

    def drawn(self, v: float) -> float:
        if v >= self.curve[0][1]:
            return self.curve[0][0]
        for a, b in itertools.pairwise(self.curve):
            if v >= b[1]:
                return a[0] + (b[0] - a[0]) * (a[1] - v) / (a[1] - b[1])
        return self.curve[-1][0]

    def source(self, q: float) -> tuple[float, float]:
        return self.n * self.row(q, 1), self.n * self.row(q, 2) * self.scale + self.cells.get("contact_ohm", 0.0)

    def efficiency(self, v: float, a: float) -> float:
        given = self.conv["efficiency"]
        if not isinstance(given, list):
            return given
        if a not in self.lines:
            volts, amps = sorted({x[0] for x in given}), sorted({x[1] for x in given})
            at = {(x[0], x[1]): x[2] for x in given}
            self.lines[a] = (volts, [float(np.interp(a, amps, [at[x, y] for y in amps])) for x in volts])
        return float(np.interp(v, *self.lines[a]))

    def point(self, q: float, out_a: float) -> dict:
        """Return need, most, input volts and amps, string volts; None where it cannot be delivered."""
        e, rs = self.source(q)
        r = rs + self.switch_ohm
        v0 = e - rs * self.inst_a - r * self.own_a
        if self.kind in ("boost", "buck-boost"):
            vin, need, most = self.power_point(v0, r, out_a)
            amps = need / vin + self.own_a if vin else None
        else:
            need = amps = out_a + self.own_a
            most = (v0 - self.least) / r
            vin = e - rs * self.inst_a - r * amps
        ok = need <= most and vin is not None
        if not ok:
            return {"ok": False, "need": need, "most": most, "vin": None, "amps": None, "cells": None}
        return {"ok": True, "need": need, "most": most, "vin": vin, "amps": amps,
                "cells": e - rs * (self.inst_a + amps)}

    def power_point(self, v0: float, r: float, out_a: float) -> tuple[float | None, float, float]:
        watts = self.conv["output_v"] * out_a
        half = max(v0, 0.0) / 2
        edge = max(half, self.least)
        most = edge * (v0 - edge) / r

        def spare(v: float) -> float:
            return (v0 - v) / r * v - watts / self.efficiency(v, out_a)

        top = v0
        # A constant efficiency has its best at half the volts; a table is searched from the top.
        for v in np.linspace(v0, half, 400 if isinstance(self.conv["efficiency"], list) else 2)[1:]:
            if spare(v) >= 0:
                low = v
                for _ in range(50):
                    mid = (low + top) / 2
                    low, top = (mid, top) if spare(mid) >= 0 else (low, mid)
                return low, watts / self.efficiency(low, out_a), most
            top = v
        return None, watts / self.efficiency(edge, out_a), most

    def combos(self) -> list[tuple[float, float]]:
        out = []
        for on in itertools.product([0, 1], repeat=len(self.pulses)):
            share, amps = 1.0, self.steady
            for bit, x in zip(on, self.pulses, strict=True):
                duty = x["seconds"] / x["every_s"]
                share *= duty if bit else 1 - duty
                amps += x["amps"] if bit else 0.0
            out.append((amps, share))
        return out

    def mean_in(self, q: float) -> float | None:
        total = 0.0
        for amps, share in self.combos():
            p = self.point(q, amps)
            if not p["ok"]:
                return None
            total += share * p["amps"]
        return total

    def checks(self, q: float) -> dict[str, tuple[float | None, float, bool]]:
        """Return (value, limit, ok) by name, in the order of the table, without the off-state drain."""
        conv, burst = self.conv, self.point(q, self.burst)
        e, rs = self.source(q)
        idle = e - rs * self.inst_a
        out: dict[str, tuple[float | None, float, bool]] = {}

        def low(name: str, value: float | None, limit: float) -> None:
            out[name] = (value, limit, value is not None and value >= limit)

        def high(name: str, value: float | None, limit: float) -> None:
            out[name] = (value, limit, value is not None and value <= limit)

        out["cells can deliver the burst"] = (burst["need"], burst["most"], burst["ok"])
        if "start_v" in conv or "input_min_v" in conv:
            low("converter starts", idle, conv.get("start_v", conv.get("input_min_v")))
        if "input_max_a" in conv:
            high("converter input current", burst["amps"], conv["input_max_a"])
        if "output_max_a" in conv:
            high("converter output current", self.burst, conv["output_max_a"])
        if self.switch:
            mosfet = self.switch["kind"] == "mosfet"
            if "max_a" in self.switch:
                high("switch current", burst["amps"] if mosfet else 0.0, self.switch["max_a"])
            control = self.switch.get("control_v", burst["cells"])
            if mosfet and "full_on_v" in self.switch:
                low("switch is fully on", control, self.switch["full_on_v"])
            if not mosfet and "enable_high_v" in conv:
                low("enable threshold", control, conv["enable_high_v"])
        self.headroom(out, burst, low)
        self.board(out, burst, idle)
        if "input_max_v" in conv:
            high("converter input volts", self.n * self.curve[0][1], conv["input_max_v"])
        if "low_v" in self.inst:
            low("instrument stays above its low limit", burst["cells"], self.inst["low_v"])
        return out

    def headroom(self, out: dict, burst: dict, low) -> None:
        sides = []
        if self.kind == "linear":
            sides.append((None if burst["vin"] is None else burst["vin"] - self.conv["output_v"],
                          self.conv.get("dropout_v", 0.0)))
        if self.reg:
            rail = burst["vin"] if self.kind == "none" else self.conv["output_v"]
            sides.append((None if rail is None else rail - self.reg["output_v"], self.reg.get("dropout_v", 0.0)))
        if sides:
            sides.sort(key=lambda s: -math.inf if s[0] is None else s[0] - s[1])
            low("regulator headroom", *sides[0])
            if any(v is None or v < lim - 1e-12 for v, lim in sides):
                out["regulator headroom"] = (*sides[0], False)

    def board(self, out: dict, burst: dict, idle: float) -> None:
        if "board" not in self.p:
            return
        if self.kind in ("boost", "buck-boost"):
            low = high = self.conv["output_v"]
            high = max(high, idle) if self.kind == "boost" else high
        elif self.kind == "linear":
            low = None if burst["vin"] is None else min(self.conv["output_v"],
                                                        burst["vin"] - self.conv.get("dropout_v", 0.0))
            high = min(self.conv["output_v"], idle)
        else:
            low, high = burst["vin"], idle
        if self.reg:
            low = None if low is None else min(self.reg["output_v"], low - self.reg.get("dropout_v", 0.0))
            high = min(self.reg["output_v"], high)
        limits = self.p["board"]
        if low is None:
            out["board volts in range"] = (None, limits["min_v"], False)
            return
        sides = [((low - limits["min_v"]) / limits["min_v"], low, limits["min_v"]),
                 ((limits["max_v"] - high) / limits["max_v"], high, limits["max_v"])]
        hand, value, limit = min(sides)
        out["board volts in range"] = (value, limit, hand >= 0)

    def off_a(self) -> float | None:
        rest = self.inst.get("off_a", 0.0)
        if not self.switch:
            mean = self.mean_in(self.q0)
            return None if mean is None else mean + rest
        if self.switch["kind"] == "mosfet":
            return self.switch.get("off_a", 0.0) + rest
        fed = 0.0 if self.conv.get("load_disconnect", True) else sum(a * w for a, w in self.combos())
        return self.conv.get("shutdown_a", 0.0) + fed + rest

    def run(self) -> tuple[float, str]:
        """Integrate the discharge in time with a stiff solver until an event."""
        now = self.checks(self.q0)
        for name, (_, _, ok) in now.items():
            if not ok:
                return 0.0, name
        last = self.curve[-1][0]
        if self.q0 >= last:
            return 0.0, "cells empty"
        names = list(now)

        def margin(q: float) -> float:
            worst = math.inf
            for name, (value, limit, ok) in self.checks(q).items():
                if value is None:
                    return -1.0
                at_most = "deliver" in name or "current" in name or "input volts" in name
                hand = limit - value if at_most else value - limit
                if name == "board volts in range":
                    hand = abs(value - limit) if ok else -abs(value - limit)
                worst = min(worst, hand)
            return worst

        def pace(_: float, y: np.ndarray) -> list[float]:
            mean = self.mean_in(min(float(y[0]), last))
            return [0.0 if mean is None else 1e3 * (mean + self.inst_a)]

        def fails(_: float, y: np.ndarray) -> float:
            return margin(float(y[0]))

        def empties(_: float, y: np.ndarray) -> float:
            return last - float(y[0])

        fails.terminal = empties.terminal = True  # type: ignore[attr-defined]
        whole = (last - self.q0) / pace(0.0, np.array([self.q0]))[0]
        done = solve_ivp(pace, (0.0, 3 * whole), [self.q0], method="Radau", events=[fails, empties],
                         rtol=1e-5, atol=1e-4, max_step=whole / 25)
        hours, q = float(done.t[-1]), float(done.y[0, -1])
        if done.t_events[1].size:
            return hours, "cells empty"
        for name in names:
            if not self.checks(min(q + 1e-4 * (last - self.q0), last))[name][2]:
                return hours, name
        return hours, "?"


def expected(p: Plan) -> dict:
    """Return what the contract says of a plan."""
    s = Second(p)
    burst = s.point(s.q0, s.burst)
    found = s.checks(s.q0)
    off = s.off_a()
    left = s.curve[-1][0] - s.q0
    off_days = None if off is None or off == 0 else left / 1e3 / off / 24
    shelf = p.get("use", {}).get("shelf_days", 180)
    found["off-state drain"] = (off_days, shelf, off == 0 or (off_days is not None and off_days >= shelf))
    watts: float | None = 0.0
    for amps, share in s.combos():
        point = s.point(s.q0, amps)
        watts = None if watts is None or not point["ok"] else watts + share * point["vin"] * point["amps"]
    hours, because = s.run()
    return {"checks": found, "peak_input_a": burst["amps"], "lowest_cells_v": burst["cells"], "off_days": off_days,
            "average_input_w": watts, "bulk_f": _bulk(s), "run_h": hours, "ends_because": because,
            "run_days": _days(s, hours, off, because), "verdict": _verdict(found)}


def _bulk(s: Second) -> float | None:
    charge = sum(x["amps"] * x["seconds"] for x in s.pulses)
    if charge == 0:
        return 0.0
    if s.kind == "none":
        rail = s.point(s.q0, s.steady)["vin"] if s.reg else s.source(s.q0)[0]
    else:
        rail = s.conv["output_v"]
    if rail is None:
        return None
    droop = rail - s.reg["output_v"] - s.reg.get("dropout_v", 0.0) if s.reg else 0.05 * rail
    return charge / droop if droop > 0 else None


def _days(s: Second, hours: float, off: float | None, because: str) -> float | None:
    per_day = s.p.get("use", {}).get("hours_per_day")
    if per_day is None:
        return None
    if hours == 0:
        return 0.0
    # The charge at the end again, from the same integration's pace: hours x mean = charge.
    end = _charge_after(s, hours)
    share = per_day + (24 - per_day) * off / ((end - s.q0) / 1e3 / hours)
    return hours / share if share > 0 else None


def _charge_after(s: Second, hours: float) -> float:
    done = solve_ivp(lambda _, y: [1e3 * ((s.mean_in(min(float(y[0]), s.curve[-1][0])) or 0.0) + s.inst_a)],
                     (0.0, hours), [s.q0], method="Radau", rtol=1e-5, atol=1e-4)
    return min(float(done.y[0, -1]), s.curve[-1][0])


def _verdict(found: dict) -> str:
    if not all(ok for _, _, ok in found.values()):
        return "fails"
    for name, (value, limit, _) in found.items():
        if value is None:
            continue
        at_most = "deliver" in name or name.endswith("current") or "input volts" in name
        if name == "board volts in range":
            hand = abs(value - limit)
        else:
            hand = limit - value if at_most else value - limit
        if hand < 0.1 * limit:
            return "marginal"
    return "works"
