"""`tapwright radio`: what is in range, what a device notifies, and its notifications recorded as frames."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import EXIT_DONE, EXIT_NO, Outcome, Progress, job_folder, table
from tapwright.core.errors import SourceError, UsageError

if TYPE_CHECKING:
    from tapwright.live.sources.ble import Options

HELP = """List radio devices in range, list what one notifies, or record its notifications as a frames file."""

SCAN_S = 8.0
SAVE_EVERY_S = 30.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("address", nargs="?", metavar="ADDRESS", help="the device; left out: list what is in range")
    parser.add_argument("--characteristic", metavar="UUID", help="record the notifications of this one")
    parser.add_argument("--seconds", type=float, metavar="S",
                        help=f"how long to listen (default: {SCAN_S:g} for the list; recording: until stopped, Ctrl-C)")
    parser.add_argument("--out", metavar="FRAMES.csv",
                        help="where to record (default: a file in the job folder's radio/)")


def run(args: argparse.Namespace) -> Outcome:
    """List or record."""
    from tapwright.live.source import SourceGone
    from tapwright.live.sources import ble

    if args.seconds is not None and not 0 < args.seconds <= 1e7:
        raise UsageError(f"--seconds {args.seconds:g}", expected="a number over 0")
    if args.address is None and (args.characteristic or args.out):
        raise UsageError("no device named", expected="ADDRESS before --characteristic and --out",
                         do="list what is in range with 'tapwright radio'")
    if args.out and not args.characteristic:
        raise UsageError("--out without --characteristic", expected="the characteristic to record",
                         do=f"list them with 'tapwright radio {args.address}'")
    device = None if args.address is None else ble.address(args.address)
    characteristic = ble.full_uuid(args.characteristic) if args.characteristic else None
    try:
        if device is None:
            return _in_range(args.seconds or SCAN_S)
        if characteristic is None:
            return _notifying(device)
        return _record(args, ble.Options(address=device, characteristic=characteristic))
    except SourceGone as gone:
        raise SourceError(gone.text, expected=gone.waits_for) from None


def _in_range(seconds: float) -> Outcome:
    from tapwright.live.sources import ble

    devices = asyncio.run(ble.scan(seconds))
    document: dict[str, object] = {"devices": [
        {"address": one.address, "name": one.name, "rssi_dbm": one.rssi_dbm, "services": list(one.services)}
        for one in devices]}
    if not devices:
        return Outcome(document, f"nothing heard in {seconds:g} s: switch the instrument's radio on, and bring it near",
                       EXIT_NO)
    rows = [(one.address, f"{one.rssi_dbm} dBm", one.name or "(no name)", " ".join(map(_short, one.services)))
            for one in devices]
    text = table(("address", "strength", "name", "services"), rows)
    return Outcome(document, f"{text}\n\nnext: tapwright radio {devices[0].address}   (what it notifies; the strongest "
                             "is the nearest)")


def _notifying(device: str) -> Outcome:
    from tapwright.live.sources import ble

    found = asyncio.run(ble.notifying(device))
    document: dict[str, object] = {"address": device, "characteristics": [
        {"uuid": one.uuid, "service": one.service, "about": one.about, "properties": list(one.properties)}
        for one in found]}
    if not found:
        return Outcome(document, f"{device} has no characteristic that notifies: its frames do not come this way",
                       EXIT_NO)
    rows = [(one.uuid, _short(one.service), one.about) for one in found]
    text = table(("characteristic", "service", "what it is called"), rows)
    return Outcome(document, f"{text}\n\nnext: tapwright radio {device} --characteristic {found[-1].uuid} --seconds 60 "
                             "--out frames.csv")


def _record(args: argparse.Namespace, options: Options) -> Outcome:
    out = _place(args)
    heard = _Heard(out, options.characteristic)
    ended = asyncio.run(_listen(options, args.seconds, heard))
    rows, times = heard.rows, heard.times
    document: dict[str, object] = {
        "address": options.address, "characteristic": options.characteristic, "frames": len(rows),
        "seconds": round(times[-1] - times[0], 6) if rows else 0.0, "out": str(out) if rows else None, "ended": ended}
    if not rows:
        return Outcome(document, "nothing was notified, and no file is written: some instruments send only while a "
                                 "function is on, or after their radio's key was pressed", EXIT_NO)
    heard.save()
    lengths = sorted({len(row) for row in rows})
    text = (f"{len(rows)} frames of {_either(lengths)} bytes in {times[-1] - times[0]:.1f} s: {out}\n"
            f"ended: {ended}\nnext: tapwright frames {out}, or tapwright unmask WIRE {out} where the wire was recorded "
            "over the same minutes")
    return Outcome(document, text, EXIT_DONE)


@dataclass
class _Heard:
    """Notifications as they come; `save` writes all of them as a frames file whose first time is 0."""

    out: Path
    channel: str
    times: list[float] = field(default_factory=list)
    rows: list[bytes] = field(default_factory=list)
    saved_s: float = 0.0

    def add(self, t_s: float, data: bytes) -> None:
        """Keep one; now and then write all, so that a fault of the machine costs the last seconds only."""
        if not data:
            return  # an empty notification is no frame
        self.times.append(t_s)
        self.rows.append(data)
        if t_s - max(self.saved_s, self.times[0]) >= SAVE_EVERY_S:
            self.saved_s = t_s
            self.save()

    def save(self) -> None:
        """Write the file, whole or not at all."""
        from tapwright.core.frame import Frames
        from tapwright.evidence.frame_rows import write_frame_rows

        start = self.times[0]
        write_frame_rows(self.out, Frames.of(self.rows, [round(t_s - start, 6) for t_s in self.times],
                                             channel=self.channel))


def _place(args: argparse.Namespace) -> Path:
    """Return the file to record into, made sure of before anything is listened to."""
    if args.out:
        out = Path(args.out)
    else:
        folder = job_folder(args)
        if folder is None:
            raise UsageError("no --out given, and no job.toml in the current folder", expected="--out FRAMES.csv")
        (folder / "radio").mkdir(exist_ok=True)
        number = 1
        while (out := folder / "radio" / f"radio-{number}.csv").exists():
            number += 1
    if out.is_dir() or not out.parent.is_dir():
        raise SourceError("frames cannot be written here", path=out, expected="a file in a folder that exists")
    return out


async def _listen(options: Options, seconds: float | None, heard: _Heard) -> str:
    """Record until the time is up, the user stops it, or the device goes; return which it was."""
    from tapwright.live.clock import SystemClock
    from tapwright.live.source import SourceGone
    from tapwright.live.sources import ble

    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    ended = "stopped"

    def opened() -> None:
        if seconds is not None:
            loop.call_later(seconds, time_up)

    def time_up() -> None:
        nonlocal ended
        ended = "the time is up"
        stop.set()

    async def record(progress: Progress) -> None:
        async with contextlib.aclosing(ble.notifications(options, SystemClock(), opened)) as packets:
            async for packet in packets:
                heard.add(packet.mono_s, packet.data)
                progress.at(0, f"{len(heard.rows)} frames, the newest {packet.data.hex(' ')}; Ctrl-C ends it")

    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):  # Windows: there Ctrl-C raises KeyboardInterrupt
            loop.add_signal_handler(number, stop.set)
    with Progress("listening") as progress:
        task = asyncio.create_task(record(progress))
        stopped = asyncio.create_task(stop.wait())
        await asyncio.wait({task, stopped}, return_when=asyncio.FIRST_COMPLETED)
        stopped.cancel()
        task.cancel()
        try:
            await task
        except asyncio.CancelledError:
            return ended
        except SourceGone as gone:
            if not heard.rows:
                raise
            return str(gone)  # what was heard until then is kept
    return ended


def _short(service: str) -> str:
    """Return a UUID's short form where it is one of the standard's."""
    return service[4:8] if service.startswith("0000") and service.endswith("-0000-1000-8000-00805f9b34fb") else service


def _either(lengths: list[int]) -> str:
    return str(lengths[0]) if len(lengths) == 1 else f"{lengths[0]} to {lengths[-1]}"
