"""A pretend Bluetooth service on a private message bus, for bleak's real Linux backend to talk to.

Objects, interfaces and signals as BlueZ documents its D-Bus interface (org.bluez.Adapter, Device, GattService and
GattCharacteristic), written from memory of those pages; nothing of the project is used here.
"""

# The library reads D-Bus signatures from annotations, so these must stay plain strings.
# ruff: noqa: F821, F722

import asyncio
import contextlib
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from dbus_fast import PropertyAccess
from dbus_fast.aio import MessageBus
from dbus_fast.service import ServiceInterface, dbus_property, method

CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/>
  </policy>
</busconfig>
"""

NOTIFYING = "0000ffe1-0000-1000-8000-00805f9b34fb"
WRITING = "0000ffe2-0000-1000-8000-00805f9b34fb"
SERVICE = "0000ffe0-0000-1000-8000-00805f9b34fb"


class Adapter(ServiceInterface):
    """org.bluez.Adapter1"""

    def __init__(self, world: "World") -> None:
        super().__init__("org.bluez.Adapter1")
        self.world = world

    @method()
    def SetDiscoveryFilter(self, filter_: "a{sv}") -> None:
        """Take any filter."""

    @method()
    def StartDiscovery(self) -> None:
        """Let every device be heard, again and again."""
        self.discovering = asyncio.get_running_loop().create_task(self.discover())

    async def discover(self) -> None:
        """Advertise for all devices."""
        while True:
            for device in self.world.devices:
                device.heard()
            await asyncio.sleep(0.05)

    @method()
    def StopDiscovery(self) -> None:
        """End."""
        self.discovering.cancel()

    @dbus_property(access=PropertyAccess.READ)
    def Address(self) -> "s":
        return "02:00:00:00:00:01"

    @dbus_property(access=PropertyAccess.READ)
    def Powered(self) -> "b":
        return self.world.powered

    @dbus_property(access=PropertyAccess.READ)
    def Discovering(self) -> "b":
        return False

    @dbus_property(access=PropertyAccess.READ)
    def Roles(self) -> "as":
        return ["central", "peripheral"]


class Device(ServiceInterface):
    """org.bluez.Device1"""

    def __init__(self, world: "World", address: str, name: str, rssi: int, uuids: list[str]) -> None:
        super().__init__("org.bluez.Device1")
        self.world, self.address, self.called, self.rssi, self.uuids = world, address, name, rssi, uuids
        self.path = "/org/bluez/hci0/dev_" + address.replace(":", "_")
        self.connected = False
        self.resolved = False

    def heard(self) -> None:
        """Tell of an advertisement."""
        self.emit_properties_changed({"RSSI": self.rssi})

    @method()
    async def Connect(self) -> None:
        """Connect, then show the services."""
        self.connected = True
        self.emit_properties_changed({"Connected": True})
        self.world.show_services(self)
        self.resolved = True
        self.emit_properties_changed({"ServicesResolved": True})

    @method()
    def Disconnect(self) -> None:
        """Disconnect."""
        self.leave()

    def leave(self) -> None:
        """Be gone."""
        self.connected = self.resolved = False
        self.emit_properties_changed({"Connected": False, "ServicesResolved": False})

    @dbus_property(access=PropertyAccess.READ)
    def Address(self) -> "s":
        return self.address

    @dbus_property(access=PropertyAccess.READ)
    def AddressType(self) -> "s":
        return "random"

    @dbus_property(access=PropertyAccess.READ)
    def Name(self) -> "s":
        return self.called

    @dbus_property(access=PropertyAccess.READ)
    def Alias(self) -> "s":
        return self.called or self.address.replace(":", "-")

    @dbus_property(access=PropertyAccess.READ)
    def Adapter(self) -> "o":
        return "/org/bluez/hci0"

    @dbus_property(access=PropertyAccess.READ)
    def RSSI(self) -> "n":
        return self.rssi

    @dbus_property(access=PropertyAccess.READ)
    def UUIDs(self) -> "as":
        return self.uuids

    @dbus_property(access=PropertyAccess.READ)
    def Connected(self) -> "b":
        return self.connected

    @dbus_property(access=PropertyAccess.READ)
    def Paired(self) -> "b":
        return False

    @dbus_property(access=PropertyAccess.READ)
    def ServicesResolved(self) -> "b":
        return self.resolved


class Service(ServiceInterface):
    """org.bluez.GattService1"""

    def __init__(self, device: Device) -> None:
        super().__init__("org.bluez.GattService1")
        self.device = device

    @dbus_property(access=PropertyAccess.READ)
    def UUID(self) -> "s":
        return SERVICE

    @dbus_property(access=PropertyAccess.READ)
    def Device(self) -> "o":
        return self.device.path

    @dbus_property(access=PropertyAccess.READ)
    def Primary(self) -> "b":
        return True


class Characteristic(ServiceInterface):
    """org.bluez.GattCharacteristic1"""

    def __init__(self, world: "World", device: Device, service_path: str, uuid: str, flags: list[str]) -> None:
        super().__init__("org.bluez.GattCharacteristic1")
        self.world, self.device, self.service_path, self.uuid, self.flags = world, device, service_path, uuid, flags
        self.value = b""
        self.sending: asyncio.Task[None] | None = None

    @method()
    def StartNotify(self) -> None:
        """Send the world's frames, one after the other."""
        self.sending = asyncio.get_running_loop().create_task(self.send())

    @method()
    def StopNotify(self) -> None:
        """End."""
        if self.sending:
            self.sending.cancel()

    async def send(self) -> None:
        """Notify each frame; then go away, or stay silent."""
        for frame in self.world.frames:
            self.value = frame
            self.emit_properties_changed({"Value": frame})
            await asyncio.sleep(self.world.every_s)
        self.world.sent.set()
        if self.world.leaves:
            self.device.leave()

    @dbus_property(access=PropertyAccess.READ)
    def UUID(self) -> "s":
        return self.uuid

    @dbus_property(access=PropertyAccess.READ)
    def Service(self) -> "o":
        return self.service_path

    @dbus_property(access=PropertyAccess.READ)
    def Flags(self) -> "as":
        return self.flags

    @dbus_property(access=PropertyAccess.READ)
    def Value(self) -> "ay":
        return self.value

    @dbus_property(access=PropertyAccess.READ)
    def MTU(self) -> "q":
        return 23


class World:
    """The pretend service with its devices; it runs in a thread of its own."""

    def __init__(self, folder: Path) -> None:
        self.address = f"unix:path={folder / 'bus'}"
        self.config = folder / "bus.conf"
        self.config.write_text(CONFIG.format(socket=folder / "bus"))
        self.powered, self.adapter, self.leaves, self.every_s = True, True, False, 0.01
        self.frames: list[bytes] = []
        self.sent = threading.Event()
        self.devices: list[Device] = []
        self.shown: set[str] = set()
        self.bus: MessageBus | None = None

    def show_services(self, device: Device) -> None:
        """Put a device's services on the bus, once."""
        assert self.bus is not None
        if device.path in self.shown:
            return
        self.shown.add(device.path)
        service = device.path + "/service000a"
        self.bus.export(service, Service(device))
        self.bus.export(service + "/char000b", Characteristic(self, device, service, NOTIFYING, ["notify", "read"]))
        self.bus.export(service + "/char000e", Characteristic(self, device, service, WRITING, ["write"]))

    async def serve(self, ready: threading.Event, stop: asyncio.Event) -> None:
        """Be org.bluez until told to stop."""
        self.bus = await MessageBus(bus_address=self.address).connect()
        if self.adapter:
            self.bus.export("/org/bluez/hci0", Adapter(self))
        for device in self.devices:
            self.bus.export(device.path, device)
        await self.bus.request_name("org.bluez")
        ready.set()
        await stop.wait()
        self.bus.disconnect()

    @contextlib.contextmanager
    def bus_only(self) -> Iterator[None]:
        """Run the message bus without anything on it."""
        daemon = subprocess.Popen(["dbus-daemon", f"--config-file={self.config}", "--nofork", "--print-address"],
                                  stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        try:
            assert daemon.stdout is not None
            daemon.stdout.readline()  # printed once it listens
            yield
        finally:
            daemon.terminate()
            daemon.communicate()

    @contextlib.contextmanager
    def running(self) -> Iterator[None]:
        """Run the message bus with the service on it."""
        loop, ready = asyncio.new_event_loop(), threading.Event()
        stop = asyncio.Event()
        with self.bus_only():
            thread = threading.Thread(target=lambda: loop.run_until_complete(self.serve(ready, stop)), daemon=True)
            thread.start()
            try:
                assert ready.wait(10)
                yield
            finally:
                loop.call_soon_threadsafe(stop.set)
                thread.join(10)
                loop.close()


def meter(world: "World", address: str = "02:12:34:56:78:9A", name: str = "hatchery meter", rssi: int = -58) -> Device:
    """Return a device that notifies frames."""
    return Device(world, address, name, rssi, [SERVICE])


needs_bus = pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="needs dbus-daemon")
__all__ = ["NOTIFYING", "SERVICE", "World", "meter", "needs_bus"]
