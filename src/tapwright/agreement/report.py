"""An agreement as the JSON document of the contract, and as text for people."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from tapwright.agreement.budget import Budget
from tapwright.agreement.compare import Agreement, Equivalence, Interval, Summary
from tapwright.agreement.plan import PointPlan
from tapwright.agreement.verdict import FAIL, PASS, UNDECIDED


def document(agreement: Agreement) -> dict[str, object]:
    """Return the JSON document of `tapwright agree`."""
    a = agreement
    slope = None if a.slope is None else {
        "value": a.slope.value, "ci": a.slope.ci, "ci_effective": a.slope.ci_effective,
        "intercept": a.slope.intercept, "proportional": a.slope.proportional}
    effective = None if a.effective is None else {
        "pairs": a.pairs_effective, "bias_ci": a.effective.bias_ci, "limits_ci": a.effective.limits_ci,
        "limits_ci_exact": a.effective.limits_ci_exact}
    repeat = a.repeatability
    return {
        "pairs": len(a.pairs), "unit": a.pairs.unit, "bias": a.summary.bias, "bias_ci": a.summary.bias_ci,
        "spread": a.summary.spread, "limits": a.summary.limits, "limits_ci": a.summary.limits_ci,
        "limits_ci_exact": a.summary.limits_ci_exact, "slope": slope,
        "unmatched": list(a.pairs.unmatched), "points": _points(a), "verdict": a.verdict,
        "decision": None if a.judgement is None else {
            "rule": a.judgement.spec.decision, "coverage_factor": a.judgement.spec.coverage_factor,
            "false_accept_risk": a.judgement.risk},
        "equivalence": None if a.equivalence is None else {
            **_equivalence(a.equivalence),
            "effective": None if a.equivalence_effective is None else _equivalence(a.equivalence_effective)},
        "pairs_effective": a.pairs_effective, "effective": effective, "left_out": a.pairs.left_out,
        "groups": [{"range": group.name, **_summary(group.summary)} for group in a.groups],
        "percent": None if a.percent is None else _summary(a.percent),
        "repeatability": None if repeat is None else {
            "points": repeat.points, "df": repeat.df, "reference": repeat.reference, "meter": repeat.meter,
            "difference": repeat.difference, "meter_coefficient": repeat.coefficient},
        "outliers": [a.pairs.points[i] for i in a.outliers],
        "budgets": [_budget(one) for one in a.budgets],
        "plan": {"equivalence_pairs": a.plan.equivalence_pairs, "points": [
            {"point": p.point, "verdict": p.verdict, "readings": p.readings, "reference_u": p.reference_u,
             "why": p.why} for p in a.plan.points]},
        "advice": list(a.advice),
    }


def _points(a: Agreement) -> list[dict[str, object]]:
    judged = a.judgement
    n = len(a.pairs)
    limit: Sequence[float | None] = [None] * n if judged is None else judged.limit.tolist()
    verdicts: Sequence[str | None] = [None] * n if judged is None else judged.verdicts
    ratio: Sequence[float | None] = [None] * n if judged is None else judged.ratio.tolist()
    conform: Sequence[float | None] = [None] * n if judged is None else judged.conformance.tolist()
    keys = ("point", "reference", "meter", "difference", "limit", "u", "U", "verdict", "ratio", "conformance")
    rows = zip(a.pairs.points, a.pairs.reference.tolist(), a.pairs.meter.tolist(), a.pairs.difference.tolist(), limit,
               a.uncertainty.u.tolist(), a.uncertainty.expanded.tolist(), verdicts, ratio, conform, strict=True)
    return [dict(zip(keys, row, strict=True)) for row in rows]


def _summary(summary: Summary) -> dict[str, object]:
    return {"pairs": summary.pairs, "bias": summary.bias, "bias_ci": summary.bias_ci, "spread": summary.spread,
            "limits": summary.limits, "limits_ci": summary.limits_ci, "limits_ci_exact": summary.limits_ci_exact}


def _equivalence(test: Equivalence) -> dict[str, object]:
    return {"margin": test.margin, "p": test.p, "ci90": test.ci90, "equivalent": test.equivalent}


def _budget(one: Budget) -> dict[str, object]:
    return {"about": one.about, "u": one.u, "df": one.df if math.isfinite(one.df) else None, "factor": one.factor,
            "U": one.expanded, "parts": [
                {"what": part.what, "kind": part.kind, "stated": part.stated, "divisor": part.divisor, "u": part.u,
                 "share": one.share(part)} for part in one.parts]}


class Figures:
    """Numbers of one unit, all to the place that their scatter gives meaning to (two digits of it)."""

    def __init__(self, unit: str, scale: float) -> None:
        self.unit = unit
        self.places = 3 if not (scale > 0 and math.isfinite(scale)) else 1 - math.floor(math.log10(scale))

    def bare(self, value: float, *, sign: bool = False) -> str:
        """Return the number alone."""
        if not math.isfinite(value):
            return "?"
        if self.places > 9:
            text = f"{value:+.3g}" if sign else f"{value:.3g}"
        else:
            shown = round(value, self.places) + 0.0
            text = f"{shown:+.{max(self.places, 0)}f}" if sign else f"{shown:.{max(self.places, 0)}f}"
        return text.replace("-", "−")

    def __call__(self, value: float, *, sign: bool = False) -> str:
        return f"{self.bare(value, sign=sign)} {self.unit}".rstrip()

    def span(self, interval: Interval | None) -> str:
        """Return an interval in words."""
        if interval is None:
            return "not to be told"
        return f"{self.bare(interval[0], sign=True)} to {self(interval[1], sign=True)}"


def text(agreement: Agreement) -> str:
    """Return the answer for people: what is settled, how sure, what is open, what to do next."""
    a = agreement
    show = Figures(a.pairs.unit, _scale(a))
    parts = [answer(a), "", *_figures(a, show)]
    if a.judgement is not None:
        parts += ["", *_worst_points(a, show)]
    if a.budgets:
        parts += ["", *_budget_lines(a)]
    if a.plan.points:
        parts += ["", "Plan", *[f"  {_plan_words(a, point)}" for point in a.plan.points[:5]]]
    opened = list(a.advice)
    if a.pairs.unmatched:
        opened.append("on one side only, not compared: " + ", ".join(a.pairs.unmatched[:12]) +
                      (", ..." if len(a.pairs.unmatched) > 12 else ""))
    if opened:
        parts += ["", "Open", *[f"  - {words}" for words in opened]]
    parts += ["", "Next: " + _next(a, show)]
    return "\n".join(parts)


def _scale(a: Agreement) -> float:
    for scale in (a.summary.spread or 0.0, abs(a.summary.bias), float(np.max(a.uncertainty.u))):
        if scale > 0:
            return scale
    return float(np.max(np.abs(a.pairs.meter))) / 1000


def answer(agreement: Agreement) -> str:
    """Return the answer alone: the verdict and what it rests on, then equivalence where a margin was given."""
    a, show = agreement, Figures(agreement.pairs.unit, _scale(agreement))
    said = []
    if a.judgement is not None:
        counts = {word: a.judgement.verdicts.count(word) for word in (PASS, UNDECIDED, FAIL)}
        n = len(a.pairs)
        risk = f"an error at its limit passes in {100 * a.judgement.risk:.2g} of 100 cases at most"
        rule = f"guarded by U; {risk}" if a.judgement.spec.decision == "guarded" else f"simple rule; {risk}"
        if a.verdict == PASS:
            said.append(f"pass: all {n} points lie within the limits ({rule}).")
        elif a.verdict == UNDECIDED:
            said.append(f"undecided: {counts[UNDECIDED]} of {n} points lie too close to their limit to say ({rule}); "
                        "none fails.")
        else:
            said.append(f"fail: {counts[FAIL]} of {n} points lie outside their limit ({rule})" +
                        (f", {counts[UNDECIDED]} more are undecided." if counts[UNDECIDED] else "."))
    elif a.summary.spread == 0:
        said.append(f"undecided: all {len(a.pairs)} differences are {show(a.summary.bias, sign=True)}, so nothing is "
                    "known of their spread.")
    elif a.verdict == UNDECIDED:
        said.append(f"undecided: {len(a.pairs)} pairs are too few to say how the two agree.")
    else:
        said.append(f"On average the meter reads {show(abs(a.summary.bias))} "
                    f"{'more' if a.summary.bias >= 0 else 'less'} than the reference; no specification was given, so "
                    "there is no verdict.")
    if a.equivalence is not None:
        said.append(_equivalence_words(a, show))
    return "\n".join(said)


def _equivalence_words(a: Agreement, show: Figures) -> str:
    test, honest = a.equivalence, a.equivalence_effective
    assert test is not None
    margin = f"± {test.margin:g} {a.pairs.unit}".rstrip()
    if test.p is None:
        return f"equal within {margin}: undecided, for the spread is not known."
    best = honest or test
    count = "" if honest is None else f" with {a.pairs_effective:.2g} effective pairs"
    figures = f"p {p_words(best.p)}{count}; 90 % of the bias: {show.span(best.ci90)}"
    if not test.equivalent:
        return f"equal within {margin}: not shown ({figures})."
    if not best.equivalent:
        return f"equal within {margin}: shown only if the readings were independent (p {p_words(test.p)}), and they " \
               f"are not ({figures}): take it as not shown."
    return f"equal within {margin}: shown ({figures})."


def p_words(p: float | None) -> str:
    """Return a p as people write it."""
    if p is None:
        return "unknown"
    return "< 0.0001" if p < 1e-4 else f"{p:.2g}"


def _figures(a: Agreement, show: Figures) -> list[str]:
    s = a.summary
    n = len(a.pairs)
    lines = [f"Meter less reference, {n} pairs" + (f", worth {a.pairs_effective:.2g} independent ones"
                                                   if a.effective is not None and a.pairs_effective else "")]
    honest = a.effective or s
    assert s.spread is not None
    assert s.limits is not None
    if s.spread == 0:
        return [*lines, f"  every difference is {show(s.bias, sign=True)}; spread, limits and intervals cannot be told"]
    lines.append(f"  bias    {show(s.bias, sign=True)}, 95 % {show.span(honest.bias_ci)}")
    lines.append(f"  spread  {show(s.spread)}")
    lines.append(f"  limits  {show.span(s.limits)} hold 95 of 100 differences")
    if honest.limits_ci_exact is not None:
        lower, upper = honest.limits_ci_exact
        lines.append(f"          the lower lies in {show.span(lower)}, the upper in {show.span(upper)} (95 %)")
    if a.slope is not None:
        lines.append("  slope   " + _slope_words(a))
    if a.percent is not None and a.percent.limits is not None:
        low, high = a.percent.limits
        lines.append(f"  in per cent of the reading: bias {a.percent.bias:+.2g} %, limits {low:+.2g} % to "
                     f"{high:+.2g} %".replace("-", "−"))
    for group in a.groups:
        g = group.summary
        limits = f", limits {show.span(g.limits)}" if g.limits else ""
        count = f"{g.pairs} pair{'s' if g.pairs > 1 else ''}"
        lines.append(f"  {group.name}: {count}, bias {show(g.bias, sign=True)}{limits}")
    if a.repeatability is not None:
        r = a.repeatability
        lines.append(f"  repeats  {r.points} points: two readings of the meter differ by less than "
                     f"{show(r.coefficient)} in 95 of 100 cases")
    if a.outliers:
        lines.append("  far from the rest (kept in all figures): " +
                     ", ".join(f"{a.pairs.points[i]} ({show(float(a.pairs.difference[i]), sign=True)})"
                               for i in a.outliers))
    return lines


def _slope_words(a: Agreement) -> str:
    slope = a.slope
    assert slope is not None
    span, spread = float(np.ptp(a.pairs.reference)), a.summary.spread or 0.0
    if span < 3 * spread:
        return "the reference spans too little to tell"
    ci = slope.ci_effective
    if ci is None:
        return f"{slope.value:.5g}, interval not to be told"
    width = ci[1] - ci[0]
    places = min(max(2 - math.floor(math.log10(width)), 2), 8) if width > 0 else 5
    words = f"{slope.value:.{places}f}, 95 % {ci[0]:.{places}f} to {ci[1]:.{places}f}: "
    return words + ("the error grows with the reading" if slope.proportional else
                    "no error that grows with the reading is shown")


def _worst_points(a: Agreement, show: Figures) -> list[str]:
    judged = a.judgement
    assert judged is not None
    room = judged.limit - np.abs(a.pairs.difference)
    order = np.argsort(room, kind="stable")[:8].tolist()
    head = ("point", "reference", "meter", "error", "allowed", "U", "inside", "verdict")
    rows = [(a.pairs.points[i], f"{a.pairs.reference[i]:.7g}", f"{a.pairs.meter[i]:.7g}",
             show.bare(float(a.pairs.difference[i]), sign=True), f"± {judged.limit[i]:.3g}",
             f"{a.uncertainty.expanded[i]:.2g}", _share(float(judged.conformance[i])), judged.verdicts[i])
            for i in order]
    widths = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    said = "All points" if len(a.pairs) <= len(order) else f"The {len(order)} points nearest to their limit or past it"
    return [f"{said} ({a.pairs.unit}; 'inside' is the probability that the true error is)".replace("(; ", "("),
            *["  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
              for row in (head, *rows)]]


def _share(p: float) -> str:
    if p > 0.9995:
        return "> 99.9 %"
    return "< 0.1 %" if p < 0.0005 else f"{100 * p:.1f} %"


def _budget_lines(a: Agreement) -> list[str]:
    lines = [f"Where the uncertainty comes from ({a.pairs.unit}, k = 1)".replace("(, ", "(")]
    for one in a.budgets:
        lines.append(f"  {one.about}: u {one.u:.2g}, U {one.expanded:.2g} (k = {one.factor:.3g})")
        lines += [f"    {part.what}: {part.stated:.3g} / {part.divisor:.4g} = {part.u:.2g}, "
                  f"{100 * one.share(part):.0f} %"
                  for part in one.parts if part.u > 0]
        if not one.u:
            lines.append("    nothing stated: taken as perfect")
    return lines


def _plan_words(a: Agreement, point: PointPlan) -> str:
    if point.readings is not None:
        return f"point {point.point} ({point.verdict}): average {point.readings} readings; {point.why}"
    if point.reference_u is not None:
        return f"point {point.point}: a reference of u {point.reference_u:.2g} {a.pairs.unit} or less; {point.why}"
    return f"point {point.point}: {point.why}"


def _next(a: Agreement, show: Figures) -> str:
    if a.judgement is not None and a.judgement.verdict == FAIL:
        i = int(np.argmax(np.abs(a.pairs.difference) - a.judgement.limit))
        return f"measure point {a.pairs.points[i]} again, then against a second reference; if it stays, the meter " \
               "is out of its limits there"
    if a.judgement is not None and a.judgement.verdict == UNDECIDED:
        return _next_undecided(a)
    if a.equivalence is not None and not a.equivalence.equivalent:
        if a.plan.equivalence_pairs is not None:
            return f"take about {a.plan.equivalence_pairs} independent pairs in all; with this bias and spread that " \
                   "shows equality nine times in ten"
        if a.summary.spread == 0:
            return "take readings at more levels, or on a finer range, until they scatter"
        return "the bias itself is as large as the margin: find its cause, no number of readings removes it"
    if a.summary.spread == 0:
        return "take readings at more levels, or on a finer range, until they scatter"
    if a.effective is not None and a.pairs_effective is not None and a.pairs_effective < len(a.pairs) / 2:
        return "take readings at points well apart instead of many in a row"
    if len(a.pairs) < 10:
        return "take more pairs, ten or more, spread over every range that matters"
    if a.judgement is None:
        return "give the limits that matter as --spec, or the difference that matters as --margin, for a verdict"
    near = next((p for p in a.plan.points if p.readings is not None), None)
    if near is not None:
        return f"average {near.readings} readings at point {near.point}: {near.why}"
    return "nothing more is needed for these points; ranges without a point remain unproven"


def _next_undecided(a: Agreement) -> str:
    undecided = [p for p in a.plan.points if p.verdict == UNDECIDED]
    better = [(p.reference_u, p.point) for p in undecided if p.reference_u is not None]
    if not better:
        return f"point {undecided[0].point}: {undecided[0].why}"
    # The finest uncertainty asked for settles them all; where it is far finer than the rest, the rest come first.
    most = max(u for u, _ in better)
    chosen = [(u, point) for u, point in better if u > most / 3]
    return f"measure {'point' if len(chosen) == 1 else 'points'} {', '.join(point for _, point in chosen[:6])} again " \
           f"with a reference of u {min(u for u, _ in chosen):.2g} {a.pairs.unit} or less (k = 1); more readings " \
           "with this one do not help"
