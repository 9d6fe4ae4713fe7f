"""Seeded cases for `tapwright agree` and what must come out, worked out a second way.

Nothing here is shared with the package: numbers are exact fractions where the contract's rule is arithmetic, Deming's
line is the first principal axis (singular value decomposition), the jackknife a plain loop, distributions scipy.stats.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np

POWER = {"mV": -3, "V": 0, "kV": 3, "µS/cm": -6, "mS/cm": -3, "S/cm": 0, "Ω": 0, "kΩ": 3, "mg/L": -3, "g/L": 0}
FAMILIES = (("mV", "V"), ("V", "mV"), ("Ω", "kΩ"), ("µS/cm", "mS/cm"), ("mg/L", "mg/L"))


@dataclass
class Case:
    """Files' texts, and the document that must come out."""

    reference: str
    meter: str
    spec: str | None
    margin: float | None
    want: dict[str, object] = field(default_factory=dict)
    exit_code: int = 0

    def write(self, folder: Path) -> list[str]:
        """Write the files; return the command's arguments."""
        names = [("reference.csv", self.reference), ("meter.csv", self.meter), ("spec.toml", self.spec)]
        for name, text in names:
            if text is not None:
                (folder / name).write_text(text, encoding="utf-8")
        args = ["agree", str(folder / "reference.csv"), str(folder / "meter.csv"), "--json"]
        if self.spec is not None:
            args += ["--spec", str(folder / "spec.toml")]
        if self.margin is not None:
            args += ["--margin", repr(self.margin)]
        return args


def case(seed: int) -> Case:
    """Return one table-of-points case."""
    rng = random.Random(seed)
    unit, meter_unit = rng.choice(FAMILIES)
    shift = POWER[meter_unit] - POWER[unit]
    n = rng.choice([2, 3, 4, 8, 17, 40])
    edges = sorted(rng.sample(range(5, 900), rng.choice([1, 2])))
    spec = None
    ranges: list[dict[str, object]] = []
    own: list[dict[str, object]] = []
    decision, factor = rng.choice(["guarded", "simple"]), rng.choice([2, 2, 3, Fraction(5, 2)])
    if rng.random() < 0.75:
        for low, high in zip([0, *edges], [*edges, 1000], strict=True):
            ranges.append(_range(rng, low, high, unit))
        if rng.random() < 0.5:
            own = [_range(rng, 0, 1000, unit, finer=10)]
        spec = _spec_text(rng, decision, factor, ranges, own)
    rows = [_row(rng, i, ranges) for i in range(n)]
    given_u = rng.random() < 0.5
    names = [f"p{i}" for i in range(n)]
    for _ in range(rng.choice([0, 0, 1])):
        if n > 3:
            names[1] = names[0]
    extra_reference, extra_meter = (["lost a"] if rng.random() < 0.4 else []), (["lost b"] if rng.random() < 0.4 else [])
    reference = [f"{names[i]},{_text(rows[i]['reference'])},{unit}" + (f",{_text(rows[i]['u'])}" if given_u else "")
                 for i in range(n)]
    meter = [f"{names[i]},{_text(rows[i]['meter'] / Fraction(10) ** shift)},{meter_unit}" for i in range(n)]
    order = list(range(n))
    if names[0] != names[min(1, n - 1)]:
        rng.shuffle(order)
    meter = [meter[i] for i in order] + [f"{name},1,{meter_unit}" for name in extra_meter]
    reference += [f"{name},1,{unit}" + (",0.5" if given_u else "") for name in extra_reference]
    made = Case("point,value,unit" + (",u" if given_u else "") + "\n" + "\n".join(reference) + "\n",
                "point,value,unit\n" + "\n".join(meter) + "\n", spec,
                rng.choice([None, round(rng.uniform(0.05, 4), 3)]))
    _solve(made, names, rows, ranges, own, decision, factor, given_u, unit)
    made.want["unmatched"] = extra_reference + extra_meter
    return made


def _range(rng: random.Random, low: int, high: int, unit: str, finer: int = 1) -> dict[str, object]:
    return {"from": low, "to": high, "unit": unit, "percent": Fraction(rng.randint(0, 30), 10 * finer),
            "counts": rng.randint(0, 9), "resolution": Fraction(1, rng.choice([10, 100]) * finer)}


def _spec_text(rng: random.Random, decision: str, factor: object, ranges: list[dict[str, object]],
               own: list[dict[str, object]]) -> str:
    lines = []
    if decision != "guarded" or rng.random() < 0.5:
        lines.append(f'decision = "{decision}"')
    if factor != 2 or rng.random() < 0.5:
        lines.append(f"coverage_factor = {float(factor)}")  # type: ignore[arg-type]
    for table, items in (("range", ranges), ("reference", own)):
        for r in items:
            lines += [f"[[{table}]]", f"from = {r['from']}", f"to = {r['to']}", f'unit = "{r["unit"]}"',
                      f"percent_of_reading = {float(r['percent'])}", f"counts = {r['counts']}",  # type: ignore[arg-type]
                      f"resolution = {float(r['resolution'])}"]  # type: ignore[arg-type]
    return "\n".join(lines) + "\n"


def _row(rng: random.Random, i: int, ranges: list[dict[str, object]]) -> dict[str, Fraction]:
    reference = Fraction(rng.randint(1, 9999), 10) * rng.choice([1, 1, -1])
    if ranges and i == 0:
        reference = Fraction(ranges[0]["to"])  # type: ignore[arg-type]  # on the edge of two ranges: the first holds it
    off = Fraction(rng.randint(-300, 300), 100)
    if i == 1 and ranges:
        # A difference exactly at the simple limit, in decimals that binary cannot hold.
        r = next(r for r in ranges if r["from"] <= abs(reference) <= r["to"])  # type: ignore[operator]
        off = r["counts"] * r["resolution"] if r["percent"] == 0 else off  # type: ignore[operator]
    return {"reference": reference, "meter": reference + off, "u": Fraction(rng.randint(0, 40), 100)}


def _text(value: Fraction) -> str:
    for places in range(12):
        scaled = value * 10**places
        if scaled.denominator == 1:
            whole = abs(int(scaled))
            digits = str(whole).rjust(places + 1, "0")
            text = digits if not places else f"{digits[:-places]}.{digits[-places:]}"
            return ("-" if value < 0 else "") + text
    raise AssertionError(value)


def _limit(r: dict[str, object], reading: Fraction) -> Fraction:
    return Fraction(r["percent"]) / 100 * abs(reading) + Fraction(r["counts"]) * Fraction(r["resolution"])  # type: ignore[arg-type]


def _solve(made: Case, names: list[str], rows: list[dict[str, Fraction]], ranges: list[dict[str, object]],
           own: list[dict[str, object]], decision: str, factor: object, given_u: bool, unit: str) -> None:
    points = []
    for name, row in zip(names, rows, strict=True):
        d = row["meter"] - row["reference"]
        u2 = float(row["u"]) ** 2 if given_u else 0.0
        point: dict[str, object] = {"point": name, "reference": float(row["reference"]), "meter": float(row["meter"]),
                                    "difference": float(d), "limit": None, "verdict": None}
        if ranges:
            r = next(r for r in ranges if r["from"] <= abs(row["reference"]) <= r["to"])  # type: ignore[operator]
            limit = _limit(r, row["meter"])
            if not given_u and own:
                u2 = float(_limit(own[0], row["reference"])) ** 2 / 3
            u2 += float(Fraction(r["resolution"])) ** 2 / 12  # type: ignore[arg-type]
            big = float(factor) * math.sqrt(u2)  # type: ignore[arg-type]
            point |= {"limit": float(limit), "U": big, "verdict": _verdict(decision, abs(d), limit, big)}
        point["u"] = math.sqrt(u2)
        points.append(point)
    made.want |= {"pairs": len(rows), "unit": unit, "points": points, **_statistics(rows, made.margin)}
    verdicts = {p["verdict"] for p in points}
    verdict = next((v for v in ("fail", "undecided", "pass") if v in verdicts), None)
    # Fewer than three pairs are called undecided; a specification still judges them one by one.
    made.want["verdict"] = "undecided" if verdict is None and len(rows) < 3 else verdict
    shown = made.margin is None or made.want["equivalence"]["equivalent"]  # type: ignore[index]
    made.exit_code = 0 if verdict in (None, "pass") and shown else 1


def _verdict(decision: str, size: Fraction, limit: Fraction, big: float) -> str:
    if decision == "simple":
        return "pass" if size <= limit else "fail"
    if float(size) <= float(limit) - big:
        return "pass"
    return "fail" if float(size) > float(limit) + big else "undecided"


def _statistics(rows: list[dict[str, Fraction]], margin: float | None) -> dict[str, object]:
    from scipy import stats

    x = np.array([float(r["reference"]) for r in rows])
    y = np.array([float(r["meter"]) for r in rows])
    d = np.array([float(r["meter"] - r["reference"]) for r in rows])
    n, bias = len(d), float(np.mean(d))
    s = float(np.std(d, ddof=1))
    interval = stats.t.interval(0.95, n - 1, loc=bias, scale=s / math.sqrt(n))
    half = s * math.sqrt(1 / n + 1.96**2 / (2 * (n - 1))) * stats.t.ppf(0.975, n - 1)
    ends = [bias - 1.96 * s, bias + 1.96 * s]
    want: dict[str, object] = {
        "bias": bias, "bias_ci": list(interval), "spread": s, "limits": ends,
        "limits_ci": [[e - half, e + half] for e in ends], "slope": None, "equivalence": None}
    if n >= 3:
        slope = _axis(x, y)
        pseudo = [n * slope - (n - 1) * _axis(np.delete(x, i), np.delete(y, i)) for i in range(n)]
        error = float(np.std(pseudo, ddof=1)) / math.sqrt(n) * stats.t.ppf(0.975, n - 2)
        want["slope"] = {"value": slope, "ci": [slope - error, slope + error]}
    if margin is not None:
        low = stats.ttest_1samp(d, -margin, alternative="greater").pvalue
        high = stats.ttest_1samp(d, margin, alternative="less").pvalue
        p = float(max(low, high))
        want["equivalence"] = {"margin": margin, "p": p, "equivalent": p < 0.05,
                               "ci90": list(stats.t.interval(0.90, n - 1, loc=bias, scale=s / math.sqrt(n)))}
    return want


def _axis(x: np.ndarray, y: np.ndarray) -> float:
    _, _, axes = np.linalg.svd(np.column_stack([x - x.mean(), y - y.mean()]))
    return float(axes[0, 1] / axes[0, 0])
