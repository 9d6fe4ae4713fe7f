"""The likelihood of what was measured, by branch and by circuit: a signature's readings multiplied together.

In: `Evidence`. Out: `signature_shares`, a row a branch and a column a signature; `pad_factors`, what the ohms with
the cells out and the off state say of each circuit.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapwright.evidence.survey_cells import AC, VOLTS
from tapwright.pins import likelihood
from tapwright.pins.circuits import branches, circuits
from tapwright.pins.predict import Probe, forecast
from tapwright.pins.signatures import Evidence, Reading

Shares = NDArray[np.float32]


def signature_shares(evidence: Evidence, chosen: NDArray[np.int64], rail_at: float = 0.0) -> Shares:
    """Return the likelihood of signatures on every branch, shape (n_branches + 1, n_chosen), the last row nothing.

    Parameters
    ----------
    chosen : places in `evidence.signatures`
    rail_at : where the rail of a module without supply stands, share of the supply (see `forecast`)
    """
    n_branches = len(branches().does)
    signatures = [evidence.signatures[i] for i in chosen.tolist()]
    share = np.ones((len(signatures), n_branches + 1), np.float32)
    share[:, -1] = 0
    # Where one state holds several readings, what they are off by together is counted once.
    several = {i: k for k, i in enumerate(i for i, signature in enumerate(signatures)
                                          if sum(reading.kind == VOLTS for reading in signature) > 1)}
    joint = likelihood.Joint(len(several))
    groups: dict[tuple[str, Probe], dict[Reading, list[int]]] = {}
    for i, signature in enumerate(signatures):
        for reading in signature:
            groups.setdefault((reading.kind, reading.test), {}).setdefault(reading, []).append(i)
    for (kind, test), readings in groups.items():
        keys = list(readings)
        at, sd, span = (np.array([getattr(key, name) for key in keys], np.float32)[:, None]
                        for name in ("at", "sd", "span"))
        if kind == VOLTS:
            cast = forecast(test, supply_v=evidence.supply_v, meter_ohm=evidence.meter.ohm, rail_at=rail_at)
            rows = likelihood.volts(cast, at, sd, span, shift=evidence.shift)
            spans = likelihood.span_shares(span, sd)
        else:
            rows = likelihood.ac(at) if kind == AC else likelihood.hertz(at)
        for place, (key, row) in enumerate(zip(keys, rows, strict=True)):
            for i in readings[key]:
                if kind == VOLTS and i in several:
                    together = joint.add(several[i], cast, key.at, key.sd, key.span, shift=evidence.shift)
                    share[i, :-1] *= np.where(together, spans[place], row)
                else:
                    share[i, :-1] *= row
    share[list(several), :-1] *= joint.density()
    return np.ascontiguousarray(share.T)


def pad_factors(evidence: Evidence) -> NDArray[np.float64]:
    """Return the log likelihood of what was measured once a pad, shape (n_pads, n_circuits)."""
    factor = np.zeros((len(evidence.of_pad), len(circuits().role)))
    for p, value in enumerate(evidence.ohms):
        if not np.isnan(value):
            factor[p] += np.log(likelihood.ohms(float(value)))
    for p, value in enumerate(evidence.off):
        if not np.isnan(value):
            factor[p] += np.log(likelihood.off_volts(float(value)))
    return factor
