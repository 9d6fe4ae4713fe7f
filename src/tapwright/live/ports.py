"""Listening sockets, bound before anything else starts, so that a port that is taken is said at once."""

from __future__ import annotations

import errno
import ipaddress
import socket

from tapwright.core.errors import SourceError
from tapwright.core.files import os_reason


def bind(host: str, port: int, option: str) -> socket.socket:
    """Return a bound socket (not yet listening) for `host` and `port`; port 0 takes a free one.

    Raises
    ------
    SourceError : the port is taken, needs rights, or the address is not this machine's; `option` is what sets it
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except (socket.gaierror, UnicodeError):
        raise SourceError(f"no address is known for '{host}'", expected="a name or address of this machine",
                          do="see --host") from None
    family, kind, protocol, _, address = found[0]
    bound = socket.socket(family, kind, protocol)
    try:
        if family == socket.AF_INET6:
            bound.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0 if host == "::" else 1)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(address)
        # Only listening finds out that another program listens already; asyncio listens again, which is allowed.
        bound.listen(1024)
    except OSError as trouble:
        bound.close()
        raise _refused(host, port, option, trouble) from None
    bound.setblocking(False)
    return bound


def is_loopback(host: str) -> bool:
    """Whether an address to listen on can be reached from this machine alone."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return False


def _refused(host: str, port: int, option: str, trouble: OSError) -> SourceError:
    if trouble.errno == errno.EADDRINUSE:
        return SourceError(f"port {port} is taken by another program", expected="a free port",
                           do=f"give another with {option}, or 0 for any free one")
    if trouble.errno in (errno.EACCES, errno.EPERM):
        return SourceError(f"no rights to listen on port {port}", expected="a port from 1024 up",
                           do=f"give another with {option}")
    if trouble.errno == errno.EADDRNOTAVAIL:
        return SourceError(f"{host} is no address of this machine", expected="127.0.0.1, 0.0.0.0, or one of its own",
                           do="see --host")
    return SourceError(f"cannot listen on {host}:{port}: {os_reason(trouble)}", do=f"give another with {option}")
