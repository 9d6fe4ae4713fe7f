"""Two files of readings -> pairs of one point each, both sides in one unit.

Points are matched by name; of two time series the reference is interpolated at the meter's times. Everything comes
out in the reference's unit.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.agreement.readings import Readings
from tapwright.core import units
from tapwright.core.errors import AgreementError

Floats = NDArray[np.float64]
LEAST_PAIRS = 2


@dataclass(frozen=True, kw_only=True)
class Pairs:
    """Readings side by side.

    Parameters
    ----------
    unit : the unit of every number here, as the reference shows it; "" where neither side names one
    points : names of the points, or the meter's times as written
    reference, meter : float64, shape (n_pairs,)
    difference : float64, shape (n_pairs,), meter less reference, freed of binary rounding
    u_reference, u_meter : float64, shape (n_pairs,), given standard uncertainties, NaN where none is given
    shown : the unit in which the meter showed each reading
    times_s : float64, shape (n_pairs,), the meter's times; None for points
    unmatched : names found on one side only
    left_out : rows not compared: outside the reference's time, in one of its gaps, or without a reading
    stretched : pairs whose reference lies in a gap of more than `LONG_GAP` times its usual interval
    """

    unit: str
    points: tuple[str, ...]
    reference: Floats
    meter: Floats
    difference: Floats
    u_reference: Floats
    u_meter: Floats
    shown: tuple[str, ...]
    times_s: Floats | None
    unmatched: tuple[str, ...] = ()
    left_out: int = 0
    stretched: int = 0

    def __len__(self) -> int:
        return len(self.points)


LONG_GAP = 5.0


def pair(reference: Readings, meter: Readings) -> Pairs:
    """Pair readings of a reference with readings of the meter under test.

    Raises
    ------
    AgreementError : the two are of different forms or units, a point is repeated differently on the two sides, or
        fewer than two pairs are left
    """
    if (reference.times_s is None) != (meter.times_s is None):
        series = meter if reference.times_s is None else reference
        raise AgreementError(f"{series.name} is a time series, the other file a table of points", path=meter.name,
                             line=1, expected="two files of the same form")
    made = _by_name(reference, meter) if reference.times_s is None else _by_time(reference, meter)
    if len(made) < LEAST_PAIRS:
        count = f"{len(made)} pair{'' if len(made) == 1 else 's'}"
        raise AgreementError(f"{count} with {reference.name}", path=meter.name, expected=f"at least {LEAST_PAIRS}",
                             do=_what_there_is(reference, meter))
    return made


def _what_there_is(reference: Readings, meter: Readings) -> str:
    if reference.times_s is None or meter.times_s is None:
        return f"the file {reference.name} has the points {', '.join(reference.labels[:5])}; {meter.name} has " + \
               ", ".join(meter.labels[:5])
    if reference.starts_at is not None and meter.starts_at is not None:
        later_s = reference.starts_at - meter.starts_at
        return f"the recording {reference.name} began {later_s:+.1f} s after {meter.name} by the wall clock; " \
               "recordings of different times compare point by point, not by time"
    return f"the series {reference.name} runs from {reference.labels[0]} s to {reference.labels[-1]} s, " \
           f"{meter.name} from {meter.labels[0]} s to {meter.labels[-1]} s"


def _by_name(reference: Readings, meter: Readings) -> Pairs:
    places: dict[str, list[int]] = defaultdict(list)
    for j, label in enumerate(meter.labels):
        places[label].append(j)
    own: dict[str, list[int]] = defaultdict(list)
    for i, label in enumerate(reference.labels):
        own[label].append(i)
    _check_repeats(reference, own, meter, places)
    _check_repeats(meter, places, reference, own)
    left: list[int] = []
    right: list[int] = []
    taken: dict[str, int] = defaultdict(int)
    for i, label in enumerate(reference.labels):
        if label in places:
            left.append(i)
            right.append(places[label][taken[label]])
            taken[label] += 1
    unmatched = [label for label in own if label not in places] + [label for label in places if label not in own]
    unit, to_reference, to_meter = _row_units(reference, left, meter, right)
    return _pairs(
        unit=unit, points=tuple(reference.labels[i] for i in left),
        reference=_scaled(reference.values[left], to_reference), u_reference=_scaled(reference.u[left], to_reference),
        meter=_scaled(meter.values[right], to_meter), u_meter=_scaled(meter.u[right], to_meter),
        shown=tuple(meter.units[j] or reference.units[i] for i, j in zip(left, right, strict=True)),
        times_s=None, unmatched=tuple(unmatched), left_out=reference.left_out + meter.left_out,
    )


def _check_repeats(one: Readings, places: dict[str, list[int]], other: Readings, others: dict[str, list[int]]) -> None:
    for label, found in places.items():
        count = len(others.get(label, ()))
        if len(found) > 1 and len(found) != count:
            raise AgreementError(
                f"point '{label}' stands {len(found)} times here and {count} times in {other.name}", path=one.name,
                line=int(one.lines[found[1]]), expected="as often on both sides, for repeats are paired in order",
                do="give each its own name, or leave the extra row out",
            )


def _row_units(reference: Readings, left: Sequence[int], meter: Readings,
               right: Sequence[int]) -> tuple[str, Sequence[int], Sequence[int]]:
    """Return the unit of all pairs and, row by row, the powers of ten that bring both sides to it."""
    both = [(reference.units[i] or meter.units[j], meter.units[j] or reference.units[i])
            for i, j in zip(left, right, strict=True)]
    unit = next((a for a, _ in both if a), "")
    known: dict[tuple[str, str], tuple[int, int]] = {}
    for row, (a, b) in enumerate(both):
        if (a, b) in known:
            continue
        i, j = left[row], right[row]
        if unit and not a:
            raise AgreementError(f"point '{reference.labels[i]}' has no unit on either side", path=reference.name,
                                 line=int(reference.lines[i]), expected=f"a unit, as other rows have {unit}")
        known[a, b] = (_power(a, unit, reference, i, f"the first row's {unit}"),
                       _power(b, unit, meter, j, f"{unit} as in {reference.name}"))
    powers = [known[ab] for ab in both]
    return unit, [p for p, _ in powers], [p for _, p in powers]


def _power(shown: str, unit: str, readings: Readings, row: int, wanted: str) -> int:
    power = units.scale_power(shown, unit)
    if power is None:
        raise AgreementError(f"unit '{shown}' in the row of {readings.labels[row]}", path=readings.name,
                             line=int(readings.lines[row]), expected=f"{wanted}, with or without a prefix",
                             do="compare each kind of quantity in files of its own")
    return power


def _by_time(reference: Readings, meter: Readings) -> Pairs:
    assert reference.times_s is not None
    assert meter.times_s is not None
    own, theirs = _series_unit(reference, meter), _series_unit(meter, reference)
    unit = next((text for text in own if text), "")
    to_reference = _series_powers(reference, own, unit, f"the first row's {unit}")
    to_meter = _series_powers(meter, theirs, unit, f"{unit} as in {reference.name}")
    known, known_u = _scaled(reference.values, to_reference), _scaled(reference.u, to_reference)
    times = reference.times_s
    if reference.starts_at is not None and meter.starts_at is not None:
        times = times + (reference.starts_at - meter.starts_at)  # both kept the wall clock: it aligns them
    inside = np.flatnonzero((meter.times_s >= times[0]) & (meter.times_s <= times[-1]))
    after = np.searchsorted(times, meter.times_s[inside])  # the reference's row at or after each time
    exact = times[after] == meter.times_s[inside]
    in_gap = reference.gap_before[after] & ~exact
    kept, after, exact = inside[~in_gap], after[~in_gap], exact[~in_gap]
    at = meter.times_s[kept]
    interval = np.diff(times)
    usual = float(np.median(interval)) if len(interval) else 0.0
    long = (interval[np.maximum(after - 1, 0)] > LONG_GAP * usual) & ~exact if len(interval) else np.zeros(0, bool)
    rows = kept.tolist()
    return _pairs(
        unit=unit, points=tuple(meter.labels[j] for j in rows),
        reference=np.interp(at, times, known), u_reference=np.interp(at, times, known_u),
        meter=_scaled(meter.values, to_meter)[kept], u_meter=_scaled(meter.u, to_meter)[kept],
        shown=tuple(theirs[j] for j in rows), times_s=at,
        left_out=len(meter) - len(kept) + meter.left_out + reference.left_out, stretched=int(np.count_nonzero(long)),
    )


def _series_powers(readings: Readings, shown: tuple[str, ...], unit: str, wanted: str) -> Sequence[int]:
    """Return, row by row, the powers of ten that bring a series to one unit."""
    powers = {text: _power(text, unit, readings, shown.index(text), wanted) for text in set(shown)}
    return [0] * len(shown) if set(powers.values()) == {0} else [powers[text] for text in shown]


def _series_unit(readings: Readings, other: Readings) -> tuple[str, ...]:
    """Return each row's unit, the other side's where this side names none at all."""
    given = {text for text in readings.units if text}
    if not given:
        theirs = sorted({text for text in other.units if text})
        if len(theirs) > 1:
            raise AgreementError("no unit, and the other file has several: " + ", ".join(theirs[:4]),
                                 path=readings.name, line=1, expected="a column 'unit'")
        return (theirs[0] if theirs else "",) * len(readings)
    bare = next((i for i, text in enumerate(readings.units) if not text), None)
    if bare is not None:
        raise AgreementError("a row without a unit among rows that have one", path=readings.name,
                             line=int(readings.lines[bare]), expected="a unit in every row, or in none")
    return readings.units


def _pairs(*, unit: str, points: tuple[str, ...], reference: Floats, meter: Floats, u_reference: Floats,
           u_meter: Floats, shown: tuple[str, ...], times_s: Floats | None, unmatched: tuple[str, ...] = (),
           left_out: int = 0, stretched: int = 0) -> Pairs:
    return Pairs(unit=unit, points=points, reference=reference, meter=meter,
                 difference=plain_difference(meter, reference), u_reference=u_reference, u_meter=u_meter, shown=shown,
                 times_s=times_s, unmatched=unmatched, left_out=left_out, stretched=stretched)


def plain_difference(a: Floats, b: Floats) -> Floats:
    """Return a - b, rounded where binary fractions stop being able to tell decimals apart.

    5.005 - 5.000 comes out as 0.005 and not as 0.00499999999999989, so that equal decimal differences are equal and a
    difference at its limit is at its limit.
    """
    difference = np.asarray(a - b, dtype=np.float64)
    # The two readings and their difference are each off by half a unit of their last binary place at most.
    largest = np.maximum(np.maximum(np.abs(a), np.abs(b)), np.abs(difference))
    places = np.floor(-np.log10(4 * np.spacing(largest))).astype(np.int64)
    for place in set(places.tolist()):
        if abs(place) < 300:
            rows = places == place
            difference[rows] = np.round(difference[rows], place)
    return difference


def _scaled(values: Floats, powers: Sequence[int]) -> Floats:
    """Return values times 10**power, each with one rounding (a power of ten up to 22 is exact in a float)."""
    if not any(powers):
        return np.array(values, dtype=np.float64)
    power = np.asarray(powers)
    up, down = 10.0 ** np.maximum(power, 0), 10.0 ** np.maximum(-power, 0)
    return np.asarray(np.where(power >= 0, values * up, values / down), dtype=np.float64)
