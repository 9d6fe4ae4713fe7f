"""Announces the page and the SCPI ports by multicast DNS.

Source: RFC 6762, RFC 6763; `_scpi-raw._tcp` and its TXT keys as instruments use them.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from tapwright import VERSION
from tapwright.live.hub import slug
from tapwright.live.ports import is_loopback

PART_MOST = 63


@dataclass(frozen=True, kw_only=True)
class Options:
    """What to announce: `name` gives `NAME.local`; `scpi` is (instrument, port)."""

    name: str
    host: str
    page_port: int
    scpi: Sequence[tuple[str, int]]


async def run(options: Options, *, say: Callable[[str], None] = lambda text: None) -> None:
    """Announce until cancelled, then take it back; where the network has no multicast say so and do without."""
    from zeroconf import Error, InterfaceChoice
    from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

    addresses = _addresses(options.host)
    try:
        zeroconf = AsyncZeroconf(interfaces=addresses if addresses else InterfaceChoice.All)
    except OSError as trouble:
        say(f"not announced by mDNS: {trouble.strerror or trouble}")
        return
    server = f"{slug(options.name)}.local."
    about = {"txtvers": "1", "Manufacturer": "tapwright", "FirmwareVersion": VERSION}
    packed = [ipaddress.ip_address(address).packed for address in addresses or _own_addresses()]
    wanted = [("_http._tcp.local.", options.name, options.page_port, {"path": "/", **about})]
    wanted += [("_scpi-raw._tcp.local.", f"{options.name} {name}", port, {**about, "Model": name})
               for name, port in options.scpi]
    try:
        for kind, title, port, text in wanted:
            info = AsyncServiceInfo(kind, f"{_label(title)}.{kind}", port=port, addresses=packed, server=server,
                                    properties=text)
            await (await zeroconf.async_register_service(info, allow_name_change=True))
        await asyncio.Event().wait()
    except (OSError, Error) as trouble:
        say(f"not announced by mDNS: {trouble or type(trouble).__name__}")
    finally:
        await zeroconf.async_unregister_all_services()
        await zeroconf.async_close()


def _addresses(host: str) -> list[str]:
    # Only where the server listens on one address: announcing others would send people to closed doors.
    if is_loopback(host):
        return ["127.0.0.1"]
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return []
    return [] if address.is_unspecified else [str(address)]


def _own_addresses() -> list[str]:
    import ifaddr

    found = [ip.ip for adapter in ifaddr.get_adapters() for ip in adapter.ips if isinstance(ip.ip, str)]
    return [address for address in found if not address.startswith("127.")] or ["127.0.0.1"]


def _label(title: str) -> str:
    # A DNS label holds 63 bytes; a dot would split it.
    return title.replace(".", " ").encode()[:PART_MOST].decode("utf-8", "ignore")


def host_name() -> str:
    """Return this machine's name without its domain."""
    return socket.gethostname().partition(".")[0]
