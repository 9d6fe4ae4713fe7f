"""`ble://ADDRESS?characteristic=UUID`: notifications of an instrument's Bluetooth Low Energy radio, one a frame.

The command `radio` looks around and records through the same functions.
"""

from __future__ import annotations

import asyncio
import logging
import re
import uuid
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Iterator, Sequence
from contextlib import aclosing, asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tapwright.core.errors import UsageError
from tapwright.core.files import os_reason
from tapwright.live.clock import Clock
from tapwright.live.source import Context, Packet, SourceGone, SourceUrl

if TYPE_CHECKING:
    from bleak import BleakClient

CONNECT_S = 20.0
HELD = 4096  # notifications kept for a reader that stands still; then the oldest go
# Linux and Windows name a device by its address, macOS by a UUID of its own.
ADDRESS = re.compile(r"(?:[0-9A-F]{2}(?::[0-9A-F]{2}){5}|[0-9A-F]{8}(?:-[0-9A-F]{4}){3}-[0-9A-F]{12})", re.IGNORECASE)
_BASE_UUID = "0000{}-0000-1000-8000-00805f9b34fb"  # Bluetooth Core, vol 3 part B, 2.5.1


@dataclass(frozen=True, kw_only=True)
class Options:
    """The radio device and the characteristic that carries the frames."""

    address: str
    characteristic: str


@dataclass(frozen=True, kw_only=True)
class Device:
    """A device in range; `services` are UUIDs that it announces, `rssi_dbm` its strength here."""

    address: str
    name: str
    rssi_dbm: int
    services: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Characteristic:
    """A characteristic that notifies; `service` is the UUID of the service it belongs to."""

    uuid: str
    service: str
    about: str
    properties: tuple[str, ...]


def options(url: SourceUrl) -> Options:
    """Return the options in a URL; raise UsageError where address or characteristic is missing or wrong."""
    url.only("characteristic")
    if "characteristic" not in url.query:
        raise UsageError(f"'{url.text}' names no characteristic", expected="ble://ADDRESS?characteristic=UUID",
                         do="list them with 'tapwright radio ADDRESS'")
    return Options(address=address(url.place), characteristic=full_uuid(url.query["characteristic"]))


async def packets(options: Options, context: Context) -> AsyncIterator[Packet]:
    """Connect, subscribe and yield a packet a notification."""
    async with aclosing(notifications(options, context.clock, context.opened)) as found:
        async for packet in found:
            yield packet


def address(text: str) -> str:
    """Return a device's address in its usual spelling; raise UsageError where it is none."""
    plain = text.strip().strip("/").replace("_", ":")
    if not ADDRESS.fullmatch(plain):
        raise UsageError(f"'{text}' is no address of a radio device", expected="six hex pairs, as AA:BB:CC:DD:EE:FF",
                         do="list what is in range with 'tapwright radio'")
    return plain.upper()


def full_uuid(text: str) -> str:
    """Return a characteristic's UUID in full; short forms of four or eight hex digits are those of the standard."""
    plain = text.strip().strip("{}").lower().removeprefix("0x")
    if re.fullmatch(r"[0-9a-f]{4}|[0-9a-f]{8}", plain):
        return _BASE_UUID.format(plain.rjust(8, "0")[4:]) if len(plain) == 4 else plain + _BASE_UUID[6:]
    try:
        return str(uuid.UUID(plain))
    except ValueError:
        raise UsageError(f"'{text}' is no UUID of a characteristic",
                         expected="a UUID, or its short form of four hex digits",
                         do="list them with 'tapwright radio ADDRESS'") from None


async def scan(seconds: float) -> list[Device]:
    """Return the devices heard within some seconds, strongest first; raise SourceGone where there is no radio."""
    from bleak import BleakScanner

    with _explained():
        heard = await BleakScanner.discover(timeout=seconds, return_adv=True)
    found = [Device(address=device.address, name=said.local_name or device.name or "", rssi_dbm=said.rssi,
                    services=tuple(sorted(said.service_uuids))) for device, said in heard.values()]
    return sorted(found, key=lambda device: (-device.rssi_dbm, device.address))


async def notifying(device: str) -> list[Characteristic]:
    """Return a device's characteristics that notify, in its own order; raise SourceGone where it does not answer."""
    async with _connected(device, lambda: None) as client:
        return [Characteristic(uuid=one.uuid, service=service.uuid, about=one.description,
                               properties=tuple(sorted(one.properties)))
                for service in client.services for one in service.characteristics if _notifies(one.properties)]


async def notifications(options: Options, clock: Clock, opened: Callable[[], None]) -> AsyncGenerator[Packet, None]:
    """Connect, subscribe and yield a packet a notification.

    Raises
    ------
    SourceGone : no radio here, no such device or characteristic, or the connection went
    """
    held: asyncio.Queue[Packet | None] = asyncio.Queue(HELD)

    def put(packet: Packet | None) -> None:
        if held.full():
            held.get_nowait()
        held.put_nowait(packet)

    async with _connected(options.address, lambda: put(None)) as client:
        one = client.services.get_characteristic(options.characteristic)
        if one is None or not _notifies(one.properties):
            what = "has no characteristic" if one is None else "does not notify on"
            raise SourceGone(f"{options.address} {what} {options.characteristic}",
                             "one of those that 'tapwright radio ADDRESS' lists")
        with _explained():
            await client.start_notify(one, lambda _, data: put(Packet(bytes(data), clock.mono(), whole=True)))
        opened()
        while (packet := await held.get()) is not None:
            yield packet
        raise SourceGone(f"{options.address} went away", "it to be switched on and in range")


def _notifies(properties: Sequence[str]) -> bool:
    return "notify" in properties or "indicate" in properties


@asynccontextmanager
async def _connected(device: str, gone: Callable[[], None]) -> AsyncIterator[BleakClient]:
    from bleak import BleakClient

    # Where the service's version cannot be asked for, bleak says so in its log: no concern of the user's.
    logging.getLogger("bleak.backends.bluezdbus.version").setLevel(logging.ERROR)
    client = BleakClient(device, disconnected_callback=lambda _: gone(), timeout=CONNECT_S)
    with _explained(device):
        await client.connect()
    try:
        yield client
    finally:
        # A device that left cannot be told so; the reason to leave is what matters.
        with suppress(SourceGone), _explained(device):
            await client.disconnect()


@contextmanager
def _explained(device: str = "") -> Iterator[None]:
    """Turn what the radio's libraries raise into what is missing, in words."""
    from bleak.exc import BleakBluetoothNotAvailableError, BleakDBusError, BleakDeviceNotFoundError, BleakError

    try:
        yield
    except BleakBluetoothNotAvailableError as trouble:
        raise SourceGone(*_no_radio(trouble.reason.name)) from None
    except BleakDeviceNotFoundError:
        raise SourceGone(f"{device} was not heard", "it to be switched on, in range and not joined to another "
                                                    "machine") from None
    except BleakDBusError as trouble:
        if trouble.dbus_error in _NO_SERVICE:
            raise SourceGone("the Bluetooth service does not run on this machine",
                             "it to be started (sudo systemctl start bluetooth); it needs a Bluetooth radio") from None
        said = trouble.dbus_error_details or trouble.dbus_error
        raise SourceGone(f"the Bluetooth service refuses: {said}", "that to be put right") from None
    except TimeoutError:
        raise SourceGone(f"{device or 'the Bluetooth service'} does not answer", "it to be switched on and in range") \
            from None
    except BleakError as trouble:
        raise SourceGone(f"{device or 'the Bluetooth radio'}: {trouble}", "that to be put right") from None
    except (FileNotFoundError, ConnectionError, EOFError):
        # On Linux the service is reached over the system's message bus.
        raise SourceGone("no way to the Bluetooth service: the system's message bus is not there",
                         "a machine with a Bluetooth radio and its service running") from None
    except OSError as trouble:
        raise SourceGone(f"the Bluetooth radio cannot be used: {os_reason(trouble)}", "that to be put right") from None


_NO_SERVICE = ("org.freedesktop.DBus.Error.ServiceUnknown", "org.freedesktop.DBus.Error.NameHasNoOwner",
               "org.freedesktop.DBus.Error.Spawn.ServiceNotFound", "org.freedesktop.DBus.Error.Spawn.Failed")


def _no_radio(reason: str) -> tuple[str, str]:
    """Return what is wrong and what would help, for bleak's reason."""
    if reason == "POWERED_OFF":
        return "the Bluetooth radio is switched off", "it to be switched on (bluetoothctl power on)"
    if reason == "NO_BLE_CENTRAL_ROLE":
        return "the Bluetooth radio cannot listen to Low Energy devices", "an adapter of Bluetooth 4.0 or newer"
    if reason.startswith("DENIED"):
        return "this user may not use Bluetooth", "the right to (on Linux: the group bluetooth, then log in anew)"
    return "this machine has no Bluetooth radio", "an adapter to be plugged in"
