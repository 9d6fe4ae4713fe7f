"""A user service for systemd that starts the server with the user's log-in, and a udev rule for plugging in.

Source: systemd.unit(5), systemd.service(5) (quoting), systemd.device(5) (SYSTEMD_USER_WANTS).
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapwright.core.errors import TapwrightError, UsageError
from tapwright.core.files import os_reason, write_text

_PLAIN = re.compile(r"[A-Za-z0-9_@%+=:,./-]+")
_USB = re.compile(r"([0-9a-fA-F]{4}):([0-9a-fA-F]{4})")


@dataclass(frozen=True, kw_only=True)
class Installed:
    """What was written or removed, in order, and what the user may do next."""

    paths: tuple[Path, ...]
    next: tuple[str, ...]


def folder() -> Path:
    """Return where a user's own units live."""
    config = os.environ.get("XDG_CONFIG_HOME")
    return (Path(config) if config else Path.home() / ".config") / "systemd" / "user"


def unit_name(name: str) -> str:
    """Return the unit's file name for a service name."""
    return f"tapwright-{name}.service"


def install(name: str, arguments: Sequence[str], work: Path, *, usb: str | None = None,
            secret: tuple[str, str] | None = None) -> Installed:
    """Write the unit and the link that starts it at log-in.

    Parameters
    ----------
    name : of the unit, usable in a file name
    arguments : of `tapwright serve`, without --install
    work : folder to run in
    usb : VID:PID; then a udev rule is put into `next` as well
    secret : a variable of the environment and its value; then the file is its owner's alone to read

    Raises
    ------
    TapwrightError : a file cannot be written; UsageError : `usb` is no pair of numbers
    """
    rule = udev_rule(name, usb) if usb is not None else None
    path = folder() / unit_name(name)
    wants = folder() / "default.target.wants" / path.name
    try:
        wants.parent.mkdir(parents=True, exist_ok=True)
        write_text(path, unit(name, arguments, work, secret=secret))
        if secret is not None:
            path.chmod(0o600)
        # The link is all that `systemctl --user enable` makes.
        if wants.is_symlink() or wants.exists():
            wants.unlink()
        wants.symlink_to(path)
    except OSError as trouble:
        raise TapwrightError(os_reason(trouble), path=path, expected="a place that can be written") from None
    steps = ["systemctl --user daemon-reload", f"systemctl --user start {path.name}",
             "loginctl enable-linger   (to have it without anyone logged in)"]
    if rule is not None:
        steps += [f"as root, write this line to /etc/udev/rules.d/90-tapwright-{name}.rules:", f"  {rule}",
                  "sudo udevadm control --reload"]
    return Installed(paths=(path, wants), next=tuple(steps))


def uninstall(name: str) -> Installed:
    """Remove what `install` wrote.

    Raises
    ------
    UsageError : there is nothing of that name
    """
    path = folder() / unit_name(name)
    wants = folder() / "default.target.wants" / path.name
    there = tuple(each for each in (wants, path) if each.is_symlink() or each.exists())
    if not there:
        raise UsageError("no such service is installed", path=path, expected="one written by --install")
    try:
        for each in there:
            each.unlink()
    except OSError as trouble:
        raise TapwrightError(os_reason(trouble), path=path, expected="a file that can be removed") from None
    return Installed(paths=there, next=(f"systemctl --user stop {path.name}", "systemctl --user daemon-reload"))


def unit(name: str, arguments: Sequence[str], work: Path, *, secret: tuple[str, str] | None = None) -> str:
    """Return the unit's text."""
    environment = f"Environment={_specifiers('='.join(secret))}\n" if secret else ""
    command = " ".join(quoted(word) for word in (*_program(), "serve", *arguments))
    return (
        "# Written by 'tapwright serve --install'; 'tapwright serve --uninstall' removes it.\n"
        "[Unit]\n"
        f"Description=Readings of {name} on the network\n"
        "\n[Service]\n"
        f"WorkingDirectory={_specifiers(str(work.absolute()))}\n"
        f"{environment}ExecStart={command}\n"
        "Restart=on-failure\nRestartSec=5\nRestartPreventExitStatus=2\n"
        "\n[Install]\nWantedBy=default.target\n")


def udev_rule(name: str, usb: str) -> str:
    """Return a udev rule that starts the unit when a USB serial device is plugged in.

    Raises
    ------
    UsageError : `usb` is not VID:PID
    """
    taken = _USB.fullmatch(usb)
    if taken is None:
        raise UsageError(f"'{usb}' is no USB device", expected="VID:PID in hex, as lsusb shows it: 1a2b:3c4d")
    return (f'ACTION=="add", SUBSYSTEM=="tty", ATTRS{{idVendor}}=="{taken[1].lower()}", '
            f'ATTRS{{idProduct}}=="{taken[2].lower()}", TAG+="systemd", '
            f'ENV{{SYSTEMD_USER_WANTS}}="{unit_name(name)}"')


def quoted(word: str) -> str:
    """Return one word of ExecStart: `%` and `$` doubled, quoted where needed."""
    word = _specifiers(word).replace("$", "$$")
    if _PLAIN.fullmatch(word):
        return word
    return '"' + word.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _specifiers(text: str) -> str:
    if "\n" in text or "\r" in text:
        raise UsageError("a line break in what the service is to run with", expected="names without line breaks")
    return text.replace("%", "%%")


def _program() -> tuple[str, ...]:
    beside = Path(sys.executable).with_name("tapwright")
    found = str(beside) if beside.exists() else shutil.which("tapwright")
    return (found,) if found else (sys.executable, "-m", "tapwright")
