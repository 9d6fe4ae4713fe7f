"""The pretend instrument's whole evidence, written as a job folder with `truth.json` beside it."""

from __future__ import annotations

import json
import random
from pathlib import Path

from tapwright.core.files import write_text
from tapwright.synth import bench, pads, wire
from tapwright.synth.bench import LABEL_HEAD, Session
from tapwright.synth.display import FLAGS, FUNCTIONS, Face
from tapwright.synth.instrument import Pretend, pretend

LEAST_OFFSET_S, MOST_OFFSET_S = 0.8, 4.2  # how far the labels' clock runs from the captures', either way


def offsets_s(seed: int) -> tuple[float, float]:
    """Return by how many seconds the labels' clock is ahead of the captures': for learning, and for the proof."""
    rng = random.Random(f"clocks {seed}")
    learning, proof = (rng.choice((1, -1)) * rng.uniform(LEAST_OFFSET_S, MOST_OFFSET_S) for _ in range(2))
    return learning, proof


def write_job(folder: Path, seed: int) -> None:
    """Write job.toml, survey, captures, labels, radio frames, supply plan, agreement and truth into a folder."""
    meter, rng = pretend(seed), random.Random(f"bench hour {seed}")
    rate = sample_rate(meter)
    for name in ("captures", "radio", "agreement"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    write_text(folder / "job.toml", _job_toml())
    write_text(folder / "survey.csv", pads.survey_csv(meter, rng))

    first = bench.play(meter, bench.first_hour(rng), rng)
    start_s = first.sent[0].t_s + 3.4 / meter.baud  # inside the first byte
    level, edges, samples = bench.line_of(meter, first, rng, rate_hz=rate, start_s=start_s, glitches=6)
    lines = {"pad3": (level, edges), "pad4": (1, [])}
    write_text(folder / "captures" / "first.vcd", wire.vcd(lines, rate_hz=rate, samples=samples))
    learning_s, proof_s = offsets_s(seed)
    rows, wrong = bench.misread(bench.labels_csv("first.vcd", first, rng, offset_s=learning_s, start_s=start_s),
                                random.Random(f"misread {seed}"))
    write_text(folder / "labels.csv", LABEL_HEAD + rows)
    write_text(folder / "radio" / "first.csv", bench.radio_csv(meter, first, rng, clock_s=rng.uniform(5, 60)))

    link, link_samples = pads.linking(meter, [item.frame for item in first.sent[:40]], rng, rate_hz=rate)
    write_text(folder / "captures" / "linking.csv", wire.changes_csv(link, rate_hz=rate, samples=link_samples))

    second = bench.play(meter, bench.everything(rng), rng)
    _capture(folder / "captures" / "second.csv", meter, second, rng, rate)
    write_text(folder / "labels-proof.csv", LABEL_HEAD + bench.labels_csv(
        "second.csv", second, rng, offset_s=proof_s))
    write_text(folder / "supply.toml", SUPPLY)
    for name, text in _agreement(rng).items():
        write_text(folder / "agreement" / name, text)
    write_text(folder / "truth.json", json.dumps(
        _truth(meter, first, second, start_s, wrong), indent=1, ensure_ascii=False))


def write_answer(folder: Path, seed: int, wants: list[dict[str, object]], turn: int) -> str | None:
    """Show what the learning step asked for: one more capture, its labels added to labels.csv.

    Returns the new capture's name, or None where the pretend instrument can show none of it.
    """
    meter, rng = pretend(seed), random.Random(f"answer {seed} {turn}")
    faces = [face for want in wants if (face := bench.answer(want, rng)) is not None]
    if not faces:
        return None
    name = f"asked-{turn}.vcd"
    session = bench.play(meter, faces, rng, hold_s=2.6)
    rate = sample_rate(meter)
    level, edges, samples = bench.line_of(meter, session, rng, rate_hz=rate)
    write_text(folder / "captures" / name, wire.vcd({"pad3": (level, edges)}, rate_hz=rate, samples=samples))
    labels = folder / "labels.csv"
    rows = bench.labels_csv(name, session, rng, offset_s=offsets_s(seed)[0])
    write_text(labels, labels.read_text(encoding="utf-8") + rows)
    return name


def sample_rate(meter: Pretend) -> int:
    """Return a sampler's usual rate with at least eight samples a bit."""
    return next(rate for rate in (20_000, 50_000, 100_000, 200_000, 500_000) if rate >= 8 * meter.baud)


def _capture(path: Path, meter: Pretend, session: Session, rng: random.Random, rate: int) -> None:
    level, edges, samples = bench.line_of(meter, session, rng, rate_hz=rate)
    write_text(path, wire.changes_csv({"pad3": (level, edges)}, rate_hz=rate, samples=samples))


def _row(t_s: float, face: Face) -> dict[str, object]:
    return {"t_s": round(t_s, 6), "display": face.text, "unit": face.function.unit, "flags": sorted(face.flags)}


def _truth(meter: Pretend, first: Session, second: Session, start_s: float, wrong: int) -> dict[str, object]:
    return {
        "seed": meter.seed, "baud": meter.baud, "parity": meter.parity, "stop_bits": meter.stop_bits,
        "frame_bytes": meter.frame_bytes, "head": meter.head.hex().upper(), "check": meter.check,
        "key": meter.key.hex().upper(), "offsets_s": list(offsets_s(meter.seed)), "wrong_label": wrong,
        "bits": meter.bits,
        "gate": {"pad": "5", "level": "high"},
        "pads": {pad.name: {"role": pad.role, "driven_by": pad.driver} for pad in pads.pads(0.9)},
        "frames": {
            "first.vcd": [_row(item.t_s - start_s, face)
                          for item, face in zip(first.sent, first.faces, strict=True)],
            "second.csv": [_row(item.t_s, face) for item, face in zip(second.sent, second.faces, strict=True)],
        },
    }


def _job_toml() -> str:
    def quoted(words: list[str]) -> str:
        return "[" + ", ".join(f'"{word}"' for word in words) + "]"

    units = quoted([function.unit for function in FUNCTIONS])
    ranges = quoted([function.greatest_text for function in FUNCTIONS])
    return (f'name = "water meter of the trout hatchery"\nsupply_v = {pads.SUPPLY_V}\n\n'
            f"# What must be seen and proven before the case is closed.\nunits = {units}\n"
            f'flags = {quoted(list(FLAGS))}\nshows = ["negative", "overload"]\nranges = {ranges}\n')


def _agreement(rng: random.Random) -> dict[str, str]:
    points = [0.5, 1.0, 2.0, 4.0, 6.0, 8.0, 9.0, 10.0, 11.0, 12.0, 14.0, 16.0]
    reference = "point,value,unit,u\n" + "".join(f"{i},{value:.3f},mg/L,0.01\n" for i, value in enumerate(points, 1))
    meter = "point,value,unit\n" + "".join(
        f"{i},{value * 1.002 + rng.gauss(0.01, 0.015):.2f},mg/L\n" for i, value in enumerate(points, 1))
    spec = "[[range]]\nfrom = 0\nto = 50\nunit = \"mg/L\"\npercent_of_reading = 1.0\ncounts = 5\nresolution = 0.01\n"
    return {"reference.csv": reference, "meter.csv": meter, "spec.toml": spec}


SUPPLY = """\
# Two AA cells feed the meter and, through a boost converter, an added Wi-Fi board.
[cells]
chemistry = "alkaline"
size = "AA"
series = 2
open_v = 3.1
contact_ohm = 0.1

[converter]
kind = "boost"
output_v = 5.0
input_min_v = 0.9
start_v = 1.8
input_max_v = 5.5
input_max_a = 2.5
output_max_a = 0.8
efficiency = 0.88
quiescent_a = 20e-6
shutdown_a = 1e-7
load_disconnect = true
enable_high_v = 1.2

[regulator]
output_v = 3.3
dropout_v = 0.3
quiescent_a = 5e-6

[board]
min_v = 3.0
max_v = 3.7

[switch]
kind = "enable"

[instrument]
amps = 0.003
low_v = 1.8

[[load]]
name = "transmit"
amps = 0.3
seconds = 0.002
every_s = 0.1

[[load]]
name = "running"
amps = 0.06

[use]
hours_per_day = 0.5
shelf_days = 180
"""
