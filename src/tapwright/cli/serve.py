"""`tapwright serve`: readings on the network; see docs/reference/serve.md."""

from __future__ import annotations

import argparse
import os
import re
import secrets
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from tapwright.cli.common import Outcome, as_json, from_job, job_folder
from tapwright.core.errors import UsageError

if TYPE_CHECKING:
    from tapwright.live.service import Member, Plan
    from tapwright.live.sinks import recorder
    from tapwright.web.server import Started

HELP = "put readings on the network: page, overlay, stream, recording, SCPI, MQTT"
TOKEN_VARIABLE = "TAPWRIGHT_TOKEN"
RECORDING = "recordings.sqlite"
PORT, HOST, NEW_SESSION_S = 8380, "127.0.0.1", 30.0
#: Options that may stand in a service file, with what they are when left out everywhere.
USUAL: dict[str, object] = {
    "host": HOST, "port": PORT, "record": None, "no_record": False, "keep_days": None,
    "new_session_after": NEW_SESSION_S, "scpi": None, "mqtt": None, "mdns": None, "mdns_name": "tapwright",
    "token": None, "private": False, "allow_host": None,
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options; those that a service file may set have no default here, to tell them apart."""
    add = parser.add_argument
    add("--instrument", action="append", metavar="FILE", help="the description (job folder: instrument.toml)")
    add("--source", action="append", metavar="URL",
        help="serial:///dev/ttyUSB0, tcp://HOST:PORT, ble://ADDRESS?characteristic=UUID, replay:FILE, stdin:")
    add("--name", action="append", metavar="NAME", help="name in addresses, one for each source")
    add("--service", metavar="FILE", help="a service.toml instead of the options above")
    add("--host", help=f"address to listen on (default {HOST})")
    add("--port", type=int, help=f"port of the page (default {PORT}; 0: any free one)")
    add("--record", metavar="FILE|URL", help="SQLite file or postgresql:// URL (job folder: recordings.sqlite)")
    add("--no-record", action="store_true", default=None, help="record nothing")
    add("--keep-days", type=float, metavar="DAYS", help="remove readings older than this")
    add("--new-session-after", type=float, metavar="S", help="silence that ends a session (default 30)")
    add("--scpi", type=int, metavar="PORT", help="answer SCPI on this port (5025 is usual)")
    add("--mqtt", metavar="URL", help="publish to mqtt://host:1883/PREFIX")
    add("--mdns", action=argparse.BooleanOptionalAction, help="announce by mDNS (default: when not loopback)")
    add("--mdns-name", metavar="NAME", help="the page is NAME.local (default tapwright)")
    add("--token", help=f"what a client must show to change anything (or {TOKEN_VARIABLE})")
    add("--private", action="store_true", default=None, help="reading needs the token too")
    add("--allow-host", action="append", metavar="NAME", help="a further name of this server")
    add("--install", action="store_true", help="write a user service that starts this at log-in")
    add("--uninstall", action="store_true", help="remove that service")
    add("--on-plug-in", metavar="VID:PID", help="with --install: a udev rule for this USB device")


def run(args: argparse.Namespace) -> Outcome:
    """Serve until stopped."""
    if args.install and args.uninstall:
        raise UsageError("--install and --uninstall together", expected="one of them")
    if args.on_plug_in and not args.install:
        raise UsageError("--on-plug-in without --install", expected="both")
    if args.uninstall:
        return _uninstalled(args)
    plan = plan_of(args)
    if args.install:
        return _installed(args, plan)
    from tapwright.live.service import Service

    service = Service(plan, say=lambda text: print(f"note: {text}", file=sys.stderr, flush=True))
    # After the ports are bound: a port that is taken is said at once.
    from tapwright.web.server import run as serve

    serve(service, started=lambda started: _say_started(started, args.json))
    return Outcome({}, "", said=True)


def plan_of(args: argparse.Namespace) -> Plan:
    """Return what the command line and the service file ask for.

    Raises
    ------
    TapwrightError : an option, a description or a source is wrong
    """
    from tapwright.live.ports import is_loopback
    from tapwright.live.service import Plan
    from tapwright.live.sinks import mqtt

    members, options = _members(args)
    host = str(options["host"])
    token = options["token"] or os.environ.get(TOKEN_VARIABLE) or None
    if token is not None and not (str(token).isascii() and str(token).isprintable()
                                  and not set(str(token)) & set(' ;,"\\')):
        raise UsageError("the token holds characters that cannot be sent", expected="letters, digits, - and _")
    if token is None and (options["private"] or not is_loopback(host)):
        token = secrets.token_urlsafe(12)
    mdns = options["mdns"] if options["mdns"] is not None else not is_loopback(host)
    scpi = options["scpi"]
    names = options["allow_host"]
    return Plan(
        members=members, host=host, port=_port("--port", options["port"]), record=_record(args, options),
        new_session_after_s=_positive("--new-session-after", options["new_session_after"]),
        scpi_port=None if scpi is None else _port("--scpi", scpi, count=len(members)),
        mqtt=mqtt.options(str(options["mqtt"])) if options["mqtt"] else None,
        mdns_name=_mdns_name(str(options["mdns_name"])) if mdns else None,
        token=None if token is None else str(token), private=bool(options["private"]),
        allow_hosts=tuple(_host_name(str(name)) for name in names) if isinstance(names, list) else (),
        found=_found(args))


def _host_name(name: str) -> str:
    """Return a name that a Host header can hold, as it is compared: lower case, no scheme and no port."""
    bare = name.strip().rstrip(".").lower()
    if len(bare) > 253 or not re.fullmatch(r"[a-z0-9_](?:[a-z0-9_.-]*[a-z0-9_])?", bare) or ".." in bare:
        raise UsageError(f"--allow-host '{name}' is no host name", expected="a name alone, like bench.example.org",
                         do="leave http://, the port and everything after a / out")
    return bare


def _members(args: argparse.Namespace) -> tuple[tuple[Member, ...], dict[str, object]]:
    from tapwright.evidence.instrument_file import load_instrument
    from tapwright.live.service import Member, names_of
    from tapwright.live.service_file import load_service
    from tapwright.live.source import source_of

    file: dict[str, object] = {}
    if args.service:
        if args.instrument or args.source or args.name:
            raise UsageError("--service beside --instrument, --source or --name", expected="one or the other")
        service = load_service(Path(args.service))
        file = service.server
        rows = [(each.name, each.instrument, each.source) for each in service.instruments]
    else:
        rows = _pairs(args)
    options = {key: _first(getattr(args, key), file.get(key), usual) for key, usual in USUAL.items()}
    known = {path: load_instrument(path) for path in dict.fromkeys(path for _, path, _ in rows)}
    names = names_of(_unlike([name or known[path].name or path.stem for name, path, _ in rows]))
    members = []
    for name, (_, path, url) in zip(names, rows, strict=True):
        source = source_of(url)
        source.check(known[path])
        members.append(Member(name=name, instrument=known[path], source=source))
    return tuple(members), options


def _pairs(args: argparse.Namespace) -> list[tuple[str, Path, str]]:
    sources, files, names = args.source or [], args.instrument or [], args.name or []
    if not sources:
        raise UsageError("no --source given", expected="where the bytes come from: serial:///dev/ttyUSB0, "
                         "tcp://HOST:PORT, ble://ADDRESS?characteristic=UUID, replay:FILE or stdin:",
                         do="name the source, or give a --service file")
    if not files:
        files = [str(from_job(args, None, "instrument.toml", "--instrument"))]
    if len(files) == 1:
        files = files * len(sources)
    if len(files) != len(sources):
        raise UsageError(f"{len(files)} --instrument and {len(sources)} --source", expected="as many of each, in pairs")
    if names and len(names) != len(sources):
        raise UsageError(f"{len(names)} --name and {len(sources)} --source", expected="a name for each source")
    if sources.count("stdin:") > 1:
        raise UsageError("stdin: twice", expected="one source that reads standard input")
    names = names or [""] * len(sources)
    return [(name, Path(path), url) for name, path, url in zip(names, files, sources, strict=True)]


def _unlike(names: list[str]) -> list[str]:
    # One description for several sources gives the same name to each: they are counted then.
    return names if len(set(names)) == len(names) else [f"{name}-{i}" for i, name in enumerate(names, 1)]


def _record(args: argparse.Namespace, options: dict[str, object]) -> recorder.Options | None:
    from tapwright.live.sinks import recorder

    where = options["record"]
    if options["no_record"]:
        if args.record:
            raise UsageError("--record and --no-record together", expected="one of them")
        return None
    folder = job_folder(args)
    if where is None and folder is not None:
        where = str(folder / RECORDING)
    if where is None:
        return None
    recorder.check_where(str(where))
    keep = options["keep_days"]
    return recorder.Options(where=str(where), keep_days=None if keep is None else _positive("--keep-days", keep))


def _found(args: argparse.Namespace) -> Path | None:
    folder = job_folder(args)
    return None if folder is None else folder / "report" / "found"


def _say_started(started: Started, as_document: bool) -> None:
    service = started.service
    plan = service.plan
    key = f"?token={plan.token}" if plan.token else ""
    where = service.recorder.place() if service.recorder else None
    if as_document:
        print(as_json({
            "url": started.url, "overlay": started.overlay, "token": plan.token, "scpi": started.scpi_ports,
            "record": where, "mdns": f"{plan.mdns_name}.local" if plan.mdns_name else None,
            "instruments": [{"name": member.name, "source": member.source.url} for member in plan.members],
        }), flush=True)
        return
    lines = [f"Readings:  {started.url}{key if plan.private else ''}", f"Overlay:   {started.overlay}"]
    if len(plan.members) > 1:
        lines += [f"           {started.url}i/{member.name}   {member.source.url}" for member in plan.members]
    if plan.token:
        lines.append(f"To change: {started.url}{key}   (keep this address to yourself)")
    lines += [f"SCPI:      {plan.host}:{port}   {name}" for name, port in started.scpi_ports.items()]
    lines.append(f"Recording: {where}" if where else "Recording: off (--record FILE)")
    if sys.stdout.isatty():
        lines += ["", _qr(started.url + (key if plan.private else "")).rstrip("\n"),
                  "For the phone" + (", once --host lets it in: now the page is for this machine alone."
                                     if plan.host in ("127.0.0.1", "localhost", "::1") else ".")]
    print("\n".join(lines), "\nStop with Ctrl+C.", sep="", flush=True)


def _qr(address: str) -> str:
    """Return an address as a QR code of half blocks, for a camera to read off the terminal."""
    import io

    import segno

    out = io.StringIO()
    segno.make(address, error="m").terminal(out, compact=True)
    return out.getvalue()


def _installed(args: argparse.Namespace, plan: Plan) -> Outcome:
    from tapwright.live import unit_file

    name = _unit(args, plan.members[0].name)
    # Off the command line, which every user of the machine can read; a token made up now holds for every start.
    secret = (TOKEN_VARIABLE, plan.token) if plan.token else None
    done = unit_file.install(name, _own_arguments(args), Path.cwd(), usb=args.on_plug_in, secret=secret)
    kept = [f"The token is kept in it, for you alone to read: {plan.token}"] if plan.token else []
    text = "\n".join([*(f"Wrote {path}" for path in done.paths), *kept,
                      "It starts with your next log-in. To have it now:", *(f"  {step}" for step in done.next)])
    return Outcome({"written": [str(path) for path in done.paths], "next": list(done.next)}, text)


def _uninstalled(args: argparse.Namespace) -> Outcome:
    from tapwright.live import unit_file
    from tapwright.live.hub import slug

    if args.name or args.service:
        name = _unit(args, "")
    else:
        name = _installed_name(args)
    done = unit_file.uninstall(slug(name))
    text = "\n".join([*(f"Removed {path}" for path in done.paths), "If it runs, stop it:",
                      *(f"  {step}" for step in done.next)])
    return Outcome({"removed": [str(path) for path in done.paths], "next": list(done.next)}, text)


def _installed_name(args: argparse.Namespace) -> str:
    from tapwright.live import unit_file

    there = sorted(unit_file.folder().glob("tapwright-*.service"))
    if len(there) == 1:
        return there[0].stem.removeprefix("tapwright-")
    raise UsageError("no service of tapwright is installed" if not there else "several services are installed: "
                     + ", ".join(path.stem.removeprefix("tapwright-") for path in there),
                     expected="one written by --install", do="name it with --name" if there else "")


def _unit(args: argparse.Namespace, usual: str) -> str:
    from tapwright.live.hub import slug

    return slug(args.name[0] if args.name else Path(args.service).stem if args.service else usual)


def _own_arguments(args: argparse.Namespace) -> list[str]:
    """Return this command line for a unit file: paths absolute, what only concerns installing left out."""
    words: list[str] = []
    if args.job:
        words += ["--job", str(Path(args.job).absolute())]
    for path in args.instrument or ():
        words += ["--instrument", str(Path(path).absolute())]
    for option in ("source", "name", "allow_host"):
        for value in getattr(args, option) or ():
            words += [f"--{option.replace('_', '-')}", value]
    if args.service:
        words += ["--service", str(Path(args.service).absolute())]
    for option in ("host", "port", "record", "keep_days", "new_session_after", "scpi", "mqtt", "mdns_name"):
        value = getattr(args, option)
        if value is not None:
            words += [f"--{option.replace('_', '-')}", str(value)]
    words += [f"--{option.replace('_', '-')}" for option in ("no_record", "private") if getattr(args, option)]
    if args.mdns is not None:
        words.append("--mdns" if args.mdns else "--no-mdns")
    return words


def _first(*values: object) -> object:
    return next((value for value in values if value is not None), None)


def _port(option: str, value: object, *, count: int = 1) -> int:
    most = 65536 - count
    if not isinstance(value, int) or not 0 <= value <= most:
        raise UsageError(f"{option} {value}", expected=f"a port from 0 to {most}")
    return value


def _positive(option: str, value: object) -> float:
    if not isinstance(value, (int, float)) or not 0 < value < 1e9:
        raise UsageError(f"{option} {value}", expected="a number above 0")
    return float(value)


def _mdns_name(name: str) -> str:
    from tapwright.live.hub import slug

    if slug(name) != name:
        raise UsageError(f"--mdns-name {name}", expected="letters, digits and -, at most 40")
    return name
