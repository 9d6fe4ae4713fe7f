"""Which line opens the data flow: from the survey's states, from trials, and from the order of events in a capture.

In: beliefs about the pads, or a capture with its data channel. Out: `Gate` entries with probabilities, and for a
capture the `Event` list: what moved before the data started, by how long, how reliably.

Source: Bayes' rule over "this line at this level lets data flow" for every line and level, and "none of them"; delays
by the normal model with unknown mean and spread (normal-inverse-gamma, Gelman et al., Bayesian Data Analysis, 3.3).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapwright.core.capture import Capture, Channel
from tapwright.evidence.survey import Survey
from tapwright.pins.circuits import DATA, INSTRUMENT, MODULE, STATE_LINE, SWITCHED
from tapwright.pins.posterior import Beliefs
from tapwright.pins.signatures import Evidence

HIT, SLIP = 0.96, 0.02  # data flows with the gate at its level; without it
NONE_SHARE = 0.5
LEAST = 0.01
_WORD = re.compile(r"^(?:pad|gpio)[\s_.-]*", re.I)


@dataclass(frozen=True)
class Gate:
    """A line that may open the data flow: at `level` ("high" or "low") data flows."""

    pad: str
    level: str
    probability: float


@dataclass(frozen=True, kw_only=True)
class Event:
    """What one line does before the data starts.

    Parameters
    ----------
    pad, channel : the line, by pad and by channel name
    level : the level it moves to
    delay_s, spread_s : from its move to the first data edge, mean and standard deviation; None where it never moved
    moved, starts : how many of the data's starts it moved before, and how many starts there were
    necessary : the data flows only while it is at the level
    sufficient : whenever it was at the level for long enough the data flowed
    """

    pad: str
    channel: str
    level: str
    delay_s: float | None
    spread_s: float | None
    moved: int
    starts: int
    necessary: bool
    sufficient: bool


@dataclass(frozen=True, kw_only=True)
class Runs:
    """When the data flowed, in ticks: `starts` and `ends` of each run, and whether its start was seen."""

    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    seen: NDArray[np.bool_]
    pause_ticks: float


def from_survey(survey: Survey, evidence: Evidence, beliefs: Beliefs) -> tuple[Gate, ...]:
    """Return the lines whose moves go with the data, best first; empty where nothing can be said."""
    best: dict[tuple[int, str], float] = {}
    for d in np.flatnonzero(beliefs.role[:, DATA] >= 0.5).tolist():
        flows = beliefs.sending[d] / max(float(beliefs.role[d, DATA]), 1e-9)
        known = ~np.isnan(evidence.plain[d])
        if not known.any() or flows[known].min() > 0.5 or flows[known].max() < 0.5:
            continue
        for key, share in _weigh_lines(survey, evidence, beliefs, d, flows, known).items():
            best[key] = max(best.get(key, 0.0), share * float(beliefs.role[d, DATA]))
    return _ranked({(survey.pads[p], level): share for (p, level), share in best.items()})


def _weigh_lines(survey: Survey, evidence: Evidence, beliefs: Beliefs, data: int, flows: NDArray[np.float64],
                 known: NDArray[np.bool_]) -> dict[tuple[int, str], float]:
    log: dict[tuple[int, str], float] = {}
    prior: dict[tuple[int, str], float] = {}
    alone = _flows_alone(survey, evidence, data)
    other_side = np.array([MODULE, INSTRUMENT])[int(beliefs.driver[data, MODULE] > beliefs.driver[data, INSTRUMENT])]
    lines = beliefs.role[:, STATE_LINE] + 0.6 * beliefs.role[:, SWITCHED]
    lines[data] = 0
    chosen = np.flatnonzero(lines >= 0.1)
    # Who drives the gate waits for no one: it is the other side that does.
    weight = lines[chosen] * (1 + 3 * beliefs.driver[chosen, other_side])
    if alone and other_side == MODULE:
        weight *= 1 - 0.95 * beliefs.driver[chosen, MODULE]
    here = known & ~np.isnan(evidence.plain[chosen])
    # Where the line was not measured it says nothing, the data's own habit does.
    habit = float(np.clip(flows[known].mean(), 0.2, 0.8))
    free = np.log(flows * habit + (1 - flows) * (1 - habit))
    for level in ("high", "low"):
        at = beliefs.high[chosen] if level == "high" else 1 - beliefs.high[chosen]
        share = flows * (at * HIT + (1 - at) * SLIP) + (1 - flows) * (at * (1 - HIT) + (1 - at) * (1 - SLIP))
        total = np.where(here, np.log(share), np.where(known, free, 0.0)).sum(1)
        log.update({(int(p), level): float(value) for p, value in zip(chosen, total, strict=True)})
        prior.update({(int(p), level): float(value) / 2 for p, value in zip(chosen, weight, strict=True)})
    n, k = int(known.sum()), int((flows[known] > 0.5).sum())
    none = -math.log((n + 1) * math.comb(n, k))
    for (pad, drive), moved in _trials(survey, evidence, data):
        for (p, level) in log:
            is_it = survey.pads[p] == pad and level == drive
            log[p, level] += math.log((0.95 if moved else 0.05) if is_it else (0.02 if moved else 0.95))
        none += math.log(0.02 if moved else 0.95)
    return _posterior(log, prior, none)


def _posterior(log: dict[tuple[int, str], float], prior: dict[tuple[int, str], float],
               none: float) -> dict[tuple[int, str], float]:
    whole = sum(prior.values())
    if not whole:
        return {}
    top = max(none, *log.values())
    shares = {key: math.exp(log[key] - top) * prior[key] / whole * (1 - NONE_SHARE) for key in log}
    total = sum(shares.values()) + math.exp(none - top) * NONE_SHARE
    return {key: share / total for key, share in shares.items()}


def _flows_alone(survey: Survey, evidence: Evidence, data: int) -> bool:
    """Return whether the data line was seen to send with the module out."""
    for i, column in enumerate(survey.columns):
        cell = survey.cells[data].get(i)
        if cell is not None and column.module_out and column.load is None and column.trial is None \
                and column.quantity == "volts" and _is_between(cell.middle, cell.span, evidence.supply_v):
            return True
    return False


def _trials(survey: Survey, evidence: Evidence, data: int) -> list[tuple[tuple[str, str], bool]]:
    found = []
    for i, column in enumerate(survey.columns):
        cell = survey.cells[data].get(i)
        if column.trial is not None and cell is not None:
            found.append(((column.trial.pad, column.trial.drive),
                          _is_between(cell.middle, cell.span, evidence.supply_v)))
    return found


def _is_between(volts: float, span: float, supply_v: float) -> bool:
    return 0.03 * supply_v < volts < 0.97 * supply_v or span > 0.1 * supply_v


def _ranked(shares: dict[tuple[str, str], float]) -> tuple[Gate, ...]:
    gates = [Gate(pad, level, share) for (pad, level), share in shares.items() if share >= LEAST]
    return tuple(sorted(gates, key=lambda gate: (-gate.probability, gate.pad, gate.level)))


def pad_of(channel: str, pads: Sequence[str]) -> str | None:
    """Return the pad that a channel belongs to: of the same name, else of its name without `pad` or `gpio`."""
    last = channel.rpartition(".")[2]
    for wanted in (channel, last, _WORD.sub("", channel), _WORD.sub("", last)):
        for pad in pads:
            if wanted and pad.casefold() == wanted.casefold():
                return pad
    bare = {_WORD.sub("", pad).casefold(): pad for pad in reversed(pads)}
    return bare.get(_WORD.sub("", last).casefold())


def runs_of(channel: Channel, capture: Capture) -> Runs:
    """Return when data flowed: frames that follow each other at their usual distance are one run."""
    edges = channel.edge_ticks
    empty = np.empty(0, np.int64)
    if len(edges) < 4:
        return Runs(starts=empty, ends=empty, seen=np.empty(0, bool), pause_ticks=0.0)
    gaps = np.diff(edges)
    bit = float(np.quantile(gaps, 0.1))
    between = gaps[gaps > 40 * bit]
    pause = 40 * bit
    if len(between) >= 5:
        usual = float(np.median(between))
        pause = 3 * usual
    cuts = np.flatnonzero(gaps > pause)
    starts = edges[np.concatenate([[0], cuts + 1])]
    ends = edges[np.concatenate([cuts, [len(edges) - 1]])]
    # A run that is there at the capture's beginning: its start was not seen.
    seen = starts - capture.start_tick > pause if len(between) >= 5 else starts > capture.start_tick
    return Runs(starts=starts, ends=ends, seen=seen, pause_ticks=pause)


def from_capture(capture: Capture, data: str, pads: Sequence[str],
                 prior: dict[str, float] | None = None) -> tuple[tuple[Gate, ...], tuple[Event, ...]]:
    """Return the gates by the order of events, best first, and the events in their order.

    Parameters
    ----------
    data : the data channel's name
    prior : weight of each pad's name before the capture is looked at (1 where it says nothing)

    Raises
    ------
    UsageError : no such channel
    """
    line = capture.channel(data)
    runs = runs_of(line, capture)
    if not runs.seen.any():
        return (), ()
    log: dict[tuple[str, str], float] = {}
    weights: dict[tuple[str, str], float] = {}
    events = []
    for channel in capture.channels:
        if channel.name == line.name or not len(channel.edge_ticks) or channel.analogue:
            continue
        pad = pad_of(channel.name, pads) or channel.name
        both = []
        for level in (1, 0):
            score, event = _score(channel, level, runs, capture, pad)
            log[pad, event.level] = score
            weights[pad, event.level] = (prior or {}).get(pad, 1.0)
            both.append((score, event))
        events.append(max(both, key=lambda item: item[0])[1])
    if not log:
        return (), ()
    whole = sum(weights.values())
    none = int(runs.seen.sum()) * math.log(1 / capture.duration_s) - 2.0
    top = max(none, *log.values())
    shares = {key: math.exp(log[key] - top) * weights[key] / whole for key in log}
    total = sum(shares.values()) + math.exp(none - top) * 0.2
    order = sorted(events, key=lambda event: (event.delay_s is None, -(event.delay_s or 0.0), event.channel))
    return _ranked({key: share / total for key, share in shares.items()}), tuple(order)


def _score(channel: Channel, level: int, runs: Runs, capture: Capture, pad: str) -> tuple[float, Event]:
    """Return the log likelihood that the data starts because this line came to this level, and what was seen."""
    tick = float(capture.tick_s)
    edges = channel.edge_ticks
    rising = edges[((np.arange(len(edges)) + 1 + channel.first_level) & 1) == level]
    leaving = edges[((np.arange(len(edges)) + 1 + channel.first_level) & 1) != level]
    starts = runs.starts[runs.seen]
    slack = max(runs.pause_ticks, 1.0)
    at_start = channel.level_at(starts) == level
    last = np.searchsorted(rising, starts, side="right") - 1
    before = np.concatenate([[capture.start_tick], runs.ends])[np.searchsorted(runs.ends, starts, side="left")]
    moved = (last >= 0) & at_start
    fresh = moved & (rising[np.maximum(last, 0)] > before - slack) if len(rising) else np.zeros(len(starts), bool)
    delays = (starts - rising[np.maximum(last, 0)])[fresh] * tick if len(rising) else np.empty(0)
    score = float(at_start.sum() * math.log(0.98) + (~at_start).sum() * math.log(0.01))
    score += _delay_density(delays, capture.duration_s)
    score += int((~fresh).sum()) * math.log(0.1 / capture.duration_s)
    idle, stray = _idle_moves(rising, leaving, runs, delays / tick if len(delays) else delays, capture)
    score += idle * math.log(0.1)
    outside = _flow_outside(channel, level, runs, slack)
    score += outside * math.log(0.1)
    # The data that stops although the line stays put speaks a little against it, a stop at its leaving for it.
    score += _stops(channel, level, leaving, runs, capture, slack)
    event = Event(
        pad=pad, channel=channel.name, level="high" if level else "low",
        delay_s=float(delays.mean()) if len(delays) else None,
        spread_s=float(delays.std(ddof=1)) if len(delays) > 1 else None,
        moved=int(fresh.sum()), starts=len(starts), necessary=bool(at_start.all() and not outside),
        sufficient=bool(idle == 0 and fresh.any() and not stray))
    return score, event


def _delay_density(delays: NDArray[np.float64], duration_s: float) -> float:
    """Return the log density of the delays, their mean and spread unknown: alike and short is likely."""
    n = len(delays)
    if n == 0:
        return 0.0
    x = np.log(np.maximum(delays, 1e-6))
    mean0, weight, a, b = math.log(0.15), 0.08, 1.0, 0.02
    mean = float(x.mean())
    b_n = b + 0.5 * float(((x - mean) ** 2).sum()) + weight * n * (mean - mean0) ** 2 / (2 * (weight + n))
    a_n = a + n / 2
    return (math.lgamma(a_n) - math.lgamma(a) + a * math.log(b) - a_n * math.log(b_n)
            + 0.5 * math.log(weight / (weight + n)) - n / 2 * math.log(2 * math.pi) - float(x.sum()))


def _idle_moves(rising: NDArray[np.int64], leaving: NDArray[np.int64], runs: Runs, delays: NDArray[np.float64],
                capture: Capture) -> tuple[int, int]:
    """Count the moves to the level that no data followed, though it stayed long enough."""
    idle = stray = 0
    enough = 1.5 * float(delays.max()) if len(delays) else runs.pause_ticks
    for tick in rising.tolist():
        k = int(np.searchsorted(leaving, tick, side="right"))
        end = int(leaving[k]) if k < len(leaving) else capture.end_tick
        covered = bool(((runs.starts <= end) & (runs.ends >= tick)).any())
        if not covered:
            if end - tick > enough:
                idle += 1
            else:
                stray += 1
    return idle, stray if idle else 0


def _flow_outside(channel: Channel, level: int, runs: Runs, slack: float) -> int:
    """Count the runs that go on for long after the line has left the level."""
    count = 0
    for start, end in zip(runs.starts.tolist(), runs.ends.tolist(), strict=True):
        if end - start > 2 * slack:
            probes = np.linspace(start, end - slack, 8).astype(np.int64)
            # One pause's grace: a frame under way is finished.
            late = channel.level_at(np.maximum(probes - int(slack), start))
            now = channel.level_at(probes)
            count += bool(((now != level) & (late != level)).mean() > 0.25)
    return count


def _stops(channel: Channel, level: int, leaving: NDArray[np.int64], runs: Runs, capture: Capture,
           slack: float) -> float:
    score = 0.0
    for end in runs.ends.tolist():
        if capture.end_tick - end < slack:
            continue
        near = bool(((leaving > end - 2 * slack) & (leaving < end + slack)).any()) if len(leaving) else False
        stays = bool(channel.level_at(np.array([end + int(slack)]))[0] == level)
        score += math.log(0.6 if near else 0.15 if stays else 0.25)
    return score
