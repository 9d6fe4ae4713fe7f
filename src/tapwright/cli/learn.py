"""Learn the reading map from captures and labels, and write it to instrument.toml."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import EXIT_NO, Outcome, Progress, from_job, job_folder
from tapwright.core.errors import LabelError, UsageError

if TYPE_CHECKING:
    from tapwright.core.frame import FrameLayout, Frames
    from tapwright.core.instrument import Instrument
    from tapwright.core.job import Demands
    from tapwright.core.mask import Mask
    from tapwright.evidence.labels import Label
    from tapwright.job.steps import FramesFound
    from tapwright.mapping.report import LearnReport

HELP = "learn how frames make readings, from what the display showed"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument("captures", nargs="*", metavar="CAPTURE", help="captures or frames files (default: captures/)")
    parser.add_argument("--labels", metavar="LABELS.csv", help="what the display showed (default: labels.csv)")
    parser.add_argument("--mask", metavar="mask.toml", help="the captures' frames are masked: take this mask off first")
    parser.add_argument("--out", metavar="instrument.toml", help="where to write the description")
    parser.add_argument("--offset", type=float, metavar="S", help="label time less capture time, instead of finding it")
    parser.add_argument("--channel", metavar="NAME", help="the line that carries the frames")
    parser.add_argument("--rate", type=float, metavar="HZ", help="sample rate of .bin captures")
    parser.add_argument("--width", type=int, choices=(8, 16), default=8, help="bits a sample in .bin captures")
    parser.add_argument("--plot", metavar="OUT.svg", help="draw each digit with the bits of its segments")


def run(args: argparse.Namespace) -> Outcome:
    """Learn and write; exit 1 where no family explains the labels."""
    from tapwright.evidence.instrument_file import write_instrument
    from tapwright.evidence.labels import read_labels
    from tapwright.evidence.mask_file import load_mask
    from tapwright.mapping.find import learn

    labels_path = from_job(args, args.labels, "labels.csv", "labels file")
    labels = read_labels(labels_path)
    paths = _captures(args, labels)
    mask = load_mask(Path(args.mask)) if args.mask else None
    found = {path.name: _frames_found(path, args) for path in paths}
    layout = _layout(found, mask)
    captures = {name: _unmasked(each.frames, mask) for name, each in found.items()}
    _check_names(labels, captures, labels_path)
    with Progress("learning") as progress:
        report = learn(captures, labels, layout=layout, offset_s=_offset(args), demands=_demands(args),
                       progress=lambda share, note: progress.at(share, note))
    if report.reading_map is None:
        return Outcome(report.document(), report.text(), EXIT_NO)
    out = _out(args)
    instrument = _instrument(args, report, found, paths, layout, mask)
    write_instrument(out, instrument)
    if args.plot:
        from tapwright.core.files import write_text
        from tapwright.mapping.draw import digits_picture

        write_text(Path(args.plot), digits_picture(report.reading_map))
    return Outcome(report.document(str(out)), report.text(str(out)))


def _captures(args: argparse.Namespace, labels: tuple[Label, ...]) -> list[Path]:
    """Return the captures given, else those of the job folder that labels name."""
    if args.captures:
        paths = [Path(text) for text in args.captures]
        names = [path.name for path in paths]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice:
            raise UsageError(f"two captures are called '{twice}'", expected="a file name of its own for each",
                             do="rename one, in its labels too")
        return paths
    folder = job_folder(args)
    if folder is None:
        raise UsageError("no capture given", expected="CAPTURE..., or a job folder with captures/",
                         do="name the captures that the labels belong to")
    wanted = list(dict.fromkeys(label.capture for label in labels))
    return [folder / "captures" / name for name in wanted if name]


def _frames_found(path: Path, args: argparse.Namespace) -> FramesFound:
    from tapwright.job.steps import frames_found

    return frames_found(path, rate_hz=args.rate, width=args.width, channel=args.channel)


def _layout(found: dict[str, FramesFound], mask: Mask | None) -> FrameLayout | None:
    """Return the layout of the frames: after the mask is taken off, it is found anew from all of them."""
    if mask is None:
        return next((each.layout for each in sorted(found.values(), key=lambda each: -len(each.frames))
                     if each.layout is not None), None)
    from tapwright.frames.find import find_frames

    most = max(found.values(), key=lambda each: len(each.frames))
    return find_frames(_unmasked(most.frames, mask)).layout


def _unmasked(frames: Frames, mask: Mask | None) -> Frames:
    if mask is None:
        return frames
    from tapwright.mask.apply import unmask

    return unmask(frames, mask)


def _check_names(labels: tuple[Label, ...], captures: dict[str, Frames], path: Path) -> None:
    for label in labels:
        if label.capture not in captures and (label.capture or len(captures) != 1):
            raise LabelError(f"data row {label.row} names the capture '{label.capture}'", path=path,
                             expected="one of " + ", ".join(captures), do="give that capture too, or correct the row")


def _offset(args: argparse.Namespace) -> float | None:
    if args.offset is not None and not abs(args.offset) < 1e9:
        raise UsageError(f"--offset {args.offset}", expected="seconds")
    return None if args.offset is None else float(args.offset)


def _demands(args: argparse.Namespace) -> Demands | None:
    folder = job_folder(args)
    if folder is None:
        return None
    from tapwright.evidence.job_file import load_job

    return load_job(folder).demands


def _out(args: argparse.Namespace) -> Path:
    if args.out:
        return Path(args.out)
    return (job_folder(args) or Path()) / "instrument.toml"


def _instrument(args: argparse.Namespace, report: LearnReport, found: dict[str, FramesFound], paths: list[Path],
                layout: FrameLayout | None, mask: Mask | None) -> Instrument:
    import hashlib

    from tapwright.core.instrument import Instrument

    assert report.reading_map is not None
    digests = []
    for path in paths:
        with path.open("rb") as file:
            digests.append(hashlib.file_digest(file, "sha256").hexdigest())
    first = next((each for each in found.values() if each.bytes_found.line is not None), next(iter(found.values())))
    folder = job_folder(args)
    name = folder.resolve().name if folder is not None else _out(args).stem
    evidence = (f"{report.labels - len(report.labels_contradicted)} of {report.labels} labels agree",
                f"{report.frames_explained} of {report.frames} frames read without any doubt")
    return Instrument(name=name, reading_map=report.reading_map, line=first.bytes_found.line,
                      channel=first.bytes_found.channel, layout=layout, mask=mask, offset_s=report.offset_s,
                      learned_from=tuple(digests), evidence=evidence)
