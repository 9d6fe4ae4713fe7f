"""What the radio does to the readings, as a JSON document and as text for people."""

from __future__ import annotations

from tapwright.agreement.disturbance import DISTURBED, UNDECIDED, UNDISTURBED, Bursts, Disturbance, Side
from tapwright.agreement.report import Figures, p_words


def document(found: Disturbance) -> dict[str, object]:
    """Return the JSON document of `tapwright agree --disturb`."""
    test, bursts = found.equivalence, found.bursts
    return {
        "unit": found.unit, "paired": found.paired, "on": _side(found.on), "off": _side(found.off),
        "shift": found.shift, "shift_ci": found.shift_ci, "noise_ratio": found.noise_ratio,
        "noise_ratio_ci": found.noise_ratio_ci,
        "equivalence": None if test is None else {
            "margin": test.margin, "p": test.p, "ci90": test.ci90, "equivalent": test.equivalent},
        "bursts": None if bursts is None else {
            "bursts": bursts.bursts, "readings_hit": bursts.readings_hit, "delay_s": bursts.delay_s, "p": bursts.p,
            "verdict": bursts.verdict},
        "verdict": found.verdict, "advice": list(found.advice),
    }


def _side(side: Side) -> dict[str, object]:
    return {"readings": side.readings, "effective": side.effective, "mean": side.mean, "noise": side.noise}


def text(found: Disturbance) -> str:
    """Return the answer for people."""
    scale = max(found.on.noise or 0.0, found.off.noise or 0.0) or abs(found.shift) or abs(found.on.mean) / 1000
    show = Figures(found.unit, scale)
    lines = [_answer(found, show), "", f"Radio on less radio off{', point by point' if found.paired else ''}"]
    lines.append(f"  shift  {show(found.shift, sign=True)}, 95 % {show.span(found.shift_ci)}")
    for word, side in (("on", found.on), ("off", found.off)):
        noise = "" if side.noise is None else f", noise {show(side.noise)}"
        worth = f", worth {side.effective:.3g} independent ones" if side.effective < 0.99 * side.readings else ""
        lines.append(f"  {word:<5}  mean {show(side.mean)}{noise}, {side.readings} readings{worth}")
    if found.noise_ratio is not None:
        interval = found.noise_ratio_ci
        between = "" if interval is None else f", 95 % {interval[0]:.2f} to {interval[1]:.2f}"
        lines.append(f"  noise  {found.noise_ratio:.2f} times as much with the radio on{between}")
    if found.bursts is not None:
        lines.append("  bursts " + _burst_words(found.bursts))
    if found.advice:
        lines += ["", "Open", *[f"  - {words}" for words in found.advice]]
    return "\n".join([*lines, "", "Next: " + _next(found)])


def _answer(found: Disturbance, show: Figures) -> str:
    test = found.equivalence
    margin = "" if test is None else f"± {test.margin:g} {found.unit}".rstrip()
    if found.verdict == UNDISTURBED:
        assert test is not None
        return f"undisturbed: the shift is shown to lie within {margin} (p {p_words(test.p)}), and no more noise is " \
               "shown."
    if found.verdict == DISTURBED:
        why = "readings after a burst stand out" if found.bursts is not None and found.bursts.verdict == "line up" \
            else "the readings are noisier with the radio on" if found.noisier else f"the shift is larger than {margin}"
        return f"disturbed: {why}."
    if found.verdict == UNDECIDED and found.noise_hidden and test is not None and test.equivalent:
        return f"undecided: the shift is shown to lie within {margin}, but with the radio on the readings scatter, " \
               "and with it off the display's step hid their noise."
    if found.verdict == UNDECIDED:
        return f"undecided: the shift is neither shown to lie within {margin} nor beyond it."
    interval = found.shift_ci
    if interval is not None and not interval[0] <= 0 <= interval[1]:
        return f"The radio shifts the reading by {show(found.shift, sign=True)}; without --margin nothing says " \
               "whether that matters."
    return "No shift is shown, which is no proof that there is none: give --margin for that."


def _burst_words(bursts: Bursts) -> str:
    if bursts.p is None:
        return f"cannot be told from these {bursts.bursts}: too few readings with one, or too few without"
    if bursts.verdict == "line up":
        return f"line up: {bursts.readings_hit} readings that follow one stand out, {bursts.delay_s:.3g} s later " \
               f"(p {p_words(bursts.p)})"
    return f"not shown to line up with disturbances (p {p_words(bursts.p)})"


def _next(found: Disturbance) -> str:
    if found.verdict == DISTURBED:
        return "move the board and its antenna away from the input, add a capacitor at its supply, and measure " \
               "again; check the supply's burst with 'tapwright supply'"
    if found.verdict == UNDECIDED:
        return "record longer in each state, switching the radio on and off in turns"
    if found.equivalence is None:
        return "give the shift that would matter as --margin, for a verdict"
    return "do the same on the most sensitive range, with leads as long as in use"
