"""`tapwright unmask`: the mask between wire and radio frames found, or a known one taken off (or put on)."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, from_job, job_folder
from tapwright.core.errors import UsageError

if TYPE_CHECKING:
    from tapwright.core.frame import Frames
    from tapwright.mask.labelled import Labelled
    from tapwright.mask.on_air import CheckOnAir
    from tapwright.mask.report import MaskReport

HELP = """Find the fixed mask between a wire and a radio recording, or take a known one off radio frames."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("recordings", nargs="*", metavar="WIRE RADIO",
                        help="captures or frames files of the same readings (RADIO alone: see --start and --labels; "
                             "default: those in the job folder's captures/ and radio/)")
    parser.add_argument("--out", metavar="FILE",
                        help="where to write: mask.toml, or with --apply the frames (default: the job's mask.toml)")
    parser.add_argument("--apply", metavar="MASK.toml", help="use this mask on the recording instead of finding one")
    parser.add_argument("--to", choices=("wire", "radio"), default="wire",
                        help="with --apply: take the mask off (wire, the default) or put it on (radio)")
    parser.add_argument("--labels", metavar="LABELS.csv", help="RADIO alone: what the display showed, and when")
    parser.add_argument("--start", metavar="HEX",
                        help="RADIO alone: bytes with which every wire frame is known to begin, as \"5A A5\"")
    parser.add_argument("--channel", metavar="NAME", help="the channel of WIRE (with one recording: of that one)")
    parser.add_argument("--radio-channel", metavar="NAME", help="the channel of RADIO, where it holds several")
    parser.add_argument("--rate", type=float, metavar="HZ", help="samples a second of a .bin capture")
    parser.add_argument("--width", type=int, choices=(8, 16), default=8, help="bits a sample of a .bin capture")
    parser.add_argument("--low", type=float, metavar="V", help="a capture in volts: low below this")
    parser.add_argument("--high", type=float, metavar="V", help="a capture in volts: high above this")


def run(args: argparse.Namespace) -> Outcome:
    """Find a mask, or apply one."""
    if args.apply is not None:
        return _apply(args)
    if args.to != "wire":
        raise UsageError("--to needs a mask to use", expected="--apply MASK.toml beside it")
    wire, radio = _recordings(args)
    if wire is None:
        report = _alone(args, radio)
    else:
        if args.labels or args.start:
            raise UsageError("--labels and --start are for RADIO without WIRE", expected="one recording")
        from tapwright.mask.find import find_mask

        report = find_mask(_frames(args, wire, args.channel), _frames(args, radio, args.radio_channel))
    out = _written(args, report)
    document = report.document()
    if report.mask is None:
        return Outcome(document, _text(report, None, radio), EXIT_NO)
    if out is not None:
        document["mask"] = str(out)
    return Outcome(document, _text(report, out, radio), EXIT_DONE)


def _recordings(args: argparse.Namespace) -> tuple[Path | None, Path]:
    given = [Path(name) for name in args.recordings]
    if len(given) > 2:
        raise UsageError(f"{len(given)} recordings", expected="WIRE and RADIO, or RADIO alone")
    if given:
        return (given[0], given[1]) if len(given) == 2 else (None, given[0])
    wire = _only(from_job(args, None, "captures", "WIRE"), "WIRE")
    return wire, _only(from_job(args, None, "radio", "RADIO"), "RADIO")


def _only(folder: Path, what: str) -> Path:
    files = sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    if len(files) != 1:
        names = ", ".join(path.name for path in files[:8])
        raise UsageError(f"{len(files)} recordings in it{f' ({names})' if names else ''}", path=folder,
                         expected="one", do=f"name {what} on the command line")
    return files[0]


def _frames(args: argparse.Namespace, path: Path, channel: str | None) -> Frames:
    """Return a recording's frames; a frames file's are taken as they are, every row of them."""
    from tapwright.decode.chain import kind_of

    if kind_of(path) == "frames":
        from tapwright.evidence.frame_rows import read_frame_rows

        return read_frame_rows(path, channel=channel)
    from tapwright.job.steps import frames_found

    return frames_found(path, rate_hz=args.rate, width=args.width, channel=channel, low_v=args.low,
                        high_v=args.high).frames


def _alone(args: argparse.Namespace, radio: Path) -> MaskReport:
    from tapwright.mask.alone import find_mask_alone, start_bytes

    frames = _frames(args, radio, args.radio_channel or args.channel)
    labelled = _labelled(frames, radio, Path(args.labels)) if args.labels else None
    return find_mask_alone(frames, start=start_bytes(args.start) if args.start else b"", labelled=labelled,
                           find_check=_check_of, on_air=_on_air(frames))


def _labelled(frames: Frames, radio: Path, path: Path) -> Labelled:
    """Learn the reading map from the masked frames as they are."""
    from tapwright.evidence.labels import read_labels
    from tapwright.frames.find import find_frames
    from tapwright.mapping.find import learn
    from tapwright.mask.labelled import Labelled

    labels = [label for label in read_labels(path) if label.capture in ("", radio.name)]
    if not labels:
        raise UsageError(f"no label is about {radio.name}", path=path,
                         expected=f"rows whose column capture is {radio.name}")
    report = learn({radio.name: frames}, labels, layout=find_frames(frames).layout)
    wrong = {item.row for item in report.labels_contradicted}
    return Labelled(reading_map=report.reading_map, n_labels=len(labels), n_agreeing=len(labels) - len(wrong),
                    displays=frozenset(label.display for label in labels
                                       if label.row not in wrong and label.is_number))


def _on_air(frames: Frames) -> CheckOnAir | None:
    """Return the CRC that frames hold as they are, with its places in the longest of them."""
    from dataclasses import replace

    from tapwright.frames.catalogue import KNOWN
    from tapwright.frames.find import find_frames
    from tapwright.mask.on_air import CheckOnAir

    n = int(frames.lengths.max()) if len(frames) else 0
    for found in find_frames(frames).checks:
        check = found.check
        if not check.kind.startswith("crc") or check.encoding != "binary":
            continue  # sums do not outlast a xored key
        first, last, at = (place % n for place in (check.first, check.last, check.at))
        wire = tuple(sorted((init, xorout) for poly, init, refin, refout, xorout in KNOWN[int(check.kind[3:])]
                            if (poly, refin, refout) == (check.poly, check.refin, check.refout)))
        return CheckOnAir(check=replace(check, first=first, last=last, at=at), n_bytes=n, wire=wire)
    return None


# -log2 of the chance that a check still holds, with the same constants, once frames are masked: a sum's constant moves
# with the key, and of the constants of a CRC a few are in use.
_CHECK_BITS = {"sum8": 8.0, "negated sum8": 8.0, "lrc": 8.0, "sum16": 16.0, "fletcher16": 16.0, "crc8": 5.0,
               "crc16": 13.0, "crc32": 29.0}


def _check_of(frames: Frames) -> tuple[str, float]:
    """Return a check of these frames that would hardly hold if they were masked, and the bits that this is worth.

    A plain xor holds under many a mask, and a CRC with other constants under every xored one: neither tells.
    """
    from tapwright.frames.catalogue import KNOWN
    from tapwright.frames.find import find_frames

    for found in find_frames(frames).checks:
        check = found.check
        if found.failed or found.false_finds > 1e-6 or check.kind not in _CHECK_BITS:
            continue
        if not check.kind.startswith("crc") or (
                check.poly, check.init, check.refin, check.refout, check.xorout) in KNOWN[int(check.kind[3:])]:
            return f"{check.kind} over bytes {check.first} to {check.last}, at {check.at}", _CHECK_BITS[check.kind]
    return "", 0.0


def _written(args: argparse.Namespace, report: MaskReport) -> Path | None:
    """Write the mask where it was asked for, or to its place in the job folder; return where."""
    if report.mask is None:
        return None
    folder = job_folder(args)
    out = Path(args.out) if args.out else folder / "mask.toml" if folder else None
    if out is not None:
        from tapwright.evidence.mask_file import write_mask

        write_mask(out, report.mask)
    return out


def _apply(args: argparse.Namespace) -> Outcome:
    from tapwright.evidence.frame_rows import write_frame_rows
    from tapwright.evidence.mask_file import load_mask
    from tapwright.mask.apply import apply_mask, unmask

    if len(args.recordings) != 1 or not args.out:
        raise UsageError("--apply needs one recording and --out" if args.recordings or args.out else
                         "--apply needs a recording and --out",
                         expected="tapwright unmask --apply mask.toml RADIO --out FRAMES.csv")
    if args.labels or args.start:
        raise UsageError("--labels and --start help to find a mask, and --apply has one",
                         expected="--apply without them")
    mask = load_mask(Path(args.apply))
    frames = _frames(args, Path(args.recordings[0]), args.channel or args.radio_channel)
    done = unmask(frames, mask) if args.to == "wire" else apply_mask(frames, mask)
    write_frame_rows(Path(args.out), done)
    open_bytes = 0 if done.unsettled is None else int(done.unsettled.sum())
    text = f"{len(done)} frames {'unmasked' if args.to == 'wire' else 'masked'}: {args.out}"
    if open_bytes:
        text += (f"\n{open_bytes} of {len(done.data)} bytes are not settled by this mask and are written as ??"
                 "\nnext: record both sides again over other values, and find the mask again")
    return Outcome({"frames": len(done), "unsettled_bytes": open_bytes}, text)


def _text(report: MaskReport, out: Path | None, radio: Path) -> str:
    """Return the answer for people: what it is, how sure, what is open, what to do next."""
    mask = report.mask
    if mask is None:
        lines = ["no mask is claimed", *(f"  {text}" for text in (*report.evidence, *report.advice))]
        return "\n".join([*lines, *_next(report)])
    from tapwright.mask.report import described

    lines = [f"mask, wire to radio: {described(mask)}"]
    if mask.total_bits:
        lines.append(f"settled: {mask.determined_bits} of {mask.total_bits} bits")
    lines.append("evidence:")
    lines += [f"  {text}" for text in report.evidence]
    if report.advice:
        lines += ["open:", *(f"  {text}" for text in report.advice)]
    lines += _next(report)
    lines.append(f"written: {out}" if out else "not written: give --out mask.toml to keep it")
    lines.append(f"next: tapwright unmask --apply {out or 'mask.toml'} {radio} --out frames.csv")
    return "\n".join(lines)


def _next(report: MaskReport) -> list[str]:
    """Return the measurement that settles what is open, where one is known."""
    return [f"next: {step['do']}; this settles {step['settles']}" for step in report.next]
