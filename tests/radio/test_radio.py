"""The radio command against bleak's real Linux backend and a pretend Bluetooth service on a private bus."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from tests.radio.bluez import NOTIFYING, SERVICE, World, meter, needs_bus

from tapwright.cli.main import main
from tapwright.core.errors import UsageError
from tapwright.live.source import source_of
from tapwright.live.sources.ble import Options

pytestmark = [pytest.mark.slow, needs_bus,
              pytest.mark.skipif(sys.platform != "linux", reason="bleak's BlueZ backend is Linux's")]
ADDRESS = "02:12:34:56:78:9A"
FRAMES = [bytes([0x5A, 0xA5, i, 0xFF - i]) for i in range(12)]


@pytest.fixture
def world(tmp_path: Path) -> World:
    """The pretend service, with one meter in range, not yet running."""
    world = World(tmp_path)
    world.frames = FRAMES
    world.devices = [meter(world), meter(world, "02:AA:BB:CC:DD:EE", "", -91)]
    return world


def radio(world: World, *words: str, ends: str = "") -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own on the private bus; `ends` interrupts it after the frames are sent."""
    # A process of its own: bleak keeps one bus a process, and the bus's address is read from the environment.
    with subprocess.Popen([sys.executable, "-c", "from tapwright.cli.main import entry; entry()", "radio", *words],
                          env=os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": world.address}, text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            if ends:
                assert world.sent.wait(20)
                time.sleep(0.1)  # the last notification is on its way
                process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=30)
        finally:
            process.kill()
    return subprocess.CompletedProcess(process.args, process.returncode, out, err)


def test_devices_in_range_are_listed_strongest_first(world: World) -> None:
    """Address, name, strength and services are those that the service tells."""
    with world.running():
        done = radio(world, "--seconds", "0.5", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == {"devices": [
        {"address": ADDRESS, "name": "hatchery meter", "rssi_dbm": -58, "services": [SERVICE]},
        {"address": "02:AA:BB:CC:DD:EE", "name": "", "rssi_dbm": -91, "services": [SERVICE]}]}


def test_only_characteristics_that_notify_are_listed(world: World) -> None:
    """The one that can only be written is left out."""
    with world.running():
        done = radio(world, ADDRESS, "--json")
    assert done.returncode == 0, done.stderr
    listed = json.loads(done.stdout)["characteristics"]
    assert [(one["uuid"], one["service"], one["properties"]) for one in listed] == [
        (NOTIFYING, SERVICE, ["notify", "read"])]


def test_notifications_are_recorded_until_interrupted(world: World, tmp_path: Path) -> None:
    """Ctrl-C ends a recording with exit 0 and a whole file of every frame, times rising from 0."""
    out = tmp_path / "frames.csv"
    with world.running():
        done = radio(world, ADDRESS.lower(), "--characteristic", "ffe1", "--out", str(out), "--json", ends="interrupt")
    assert done.returncode == 0, done.stderr
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert [bytes.fromhex(row["hex"]) for row in rows] == FRAMES
    times = [float(row["t_s"]) for row in rows]
    assert times[0] == 0
    assert times == sorted(times)
    assert times[-1] >= 0.01 * (len(FRAMES) - 1)  # each was sent 0.01 s or more after the one before
    document = json.loads(done.stdout)
    assert (document["frames"], document["out"], document["ended"]) == (len(FRAMES), str(out), "stopped")
    assert [path.name for path in tmp_path.iterdir() if path.name.endswith(".part")] == []


def test_recording_ends_after_its_seconds(world: World, tmp_path: Path) -> None:
    """`--seconds` ends it without a hand."""
    with world.running():
        done = radio(world, ADDRESS, "--characteristic", NOTIFYING, "--seconds", "0.6", "--out",
                     str(tmp_path / "frames.csv"))
    assert done.returncode == 0, done.stderr
    assert "12 frames of 4 bytes" in done.stdout
    assert "the time is up" in done.stdout


def test_what_was_heard_is_kept_when_the_device_leaves(world: World, tmp_path: Path) -> None:
    """A device that goes ends the recording; its frames stay."""
    world.leaves = True
    out = tmp_path / "frames.csv"
    with world.running():
        done = radio(world, ADDRESS, "--characteristic", NOTIFYING, "--out", str(out))
    assert done.returncode == 0, done.stderr
    assert len(list(csv.DictReader(out.read_text().splitlines()))) == len(FRAMES)
    assert f"{ADDRESS} went away" in done.stdout


def test_a_wrong_characteristic_is_named_and_no_file_is_left(world: World, tmp_path: Path) -> None:
    """Exit 2 says which one, and what lists the right ones."""
    out = tmp_path / "frames.csv"
    with world.running():
        done = radio(world, ADDRESS, "--characteristic", "ffe2", "--out", str(out))
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (f"tapwright: {ADDRESS} does not notify on 0000ffe2-0000-1000-8000-00805f9b34fb; expected one "
                           "of those that 'tapwright radio ADDRESS' lists.\n")
    assert not out.exists()


def fails(world: World) -> str:
    """Return what is said, of a run that must fail with exit 2 and nothing on standard output."""
    done = radio(world, "--seconds", "0.3", "--json")
    assert (done.returncode, done.stdout) == (2, ""), done
    return done.stderr


def test_a_machine_without_bluetooth_says_what_is_missing(world: World) -> None:
    """No bus, no service, no adapter, adapter off: each is told apart."""
    assert "the system's message bus is not there" in fails(world)
    with world.bus_only():
        assert "the Bluetooth service does not run on this machine" in fails(world)


def test_a_missing_adapter_is_told_from_one_that_is_off(world: World, tmp_path: Path) -> None:
    """Both say what would help."""
    world.adapter = False
    world.devices = []
    with world.running():
        assert fails(world) == ("tapwright: this machine has no Bluetooth radio; expected an adapter to be plugged in.\n")
    (tmp_path / "off").mkdir()
    off = World(tmp_path / "off")
    off.powered = False
    with off.running():
        assert "the Bluetooth radio is switched off; expected it to be switched on" in fails(off)


@pytest.mark.parametrize(("words", "message"), [
    (["hatchery"], "'hatchery' is no address of a radio device; expected six hex pairs, as AA:BB:CC:DD:EE:FF. List what "
                   "is in range with 'tapwright radio'."),
    ([ADDRESS, "--characteristic", "ffe"], "'ffe' is no UUID of a characteristic; expected a UUID, or its short form of "
                                           "four hex digits. List them with 'tapwright radio ADDRESS'."),
    ([ADDRESS, "--out", "x.csv"], "--out without --characteristic; expected the characteristic to record. List them with "
                                  f"'tapwright radio {ADDRESS}'."),
    (["--seconds", "0"], "--seconds 0; expected a number over 0."),
])
def test_wrong_usage_is_named(words: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is listened to before the arguments are right."""
    assert main(["radio", *words]) == 2
    assert capsys.readouterr() == ("", f"tapwright: {message}\n")


def test_the_live_source_takes_a_device_address() -> None:
    """`ble://` with the colons of an address is taken apart, short UUIDs as the standard's base UUID (Core vol 3 B)."""
    opened = source_of(f"ble://{ADDRESS}?characteristic=FFE1")
    assert opened.options == Options(address=ADDRESS, characteristic=NOTIFYING)
    with pytest.raises(UsageError, match="names no characteristic"):
        source_of(f"ble://{ADDRESS}")


def test_the_live_source_yields_whole_frames(world: World) -> None:
    """The live service's source gives each notification as one whole frame, then says that the device went."""
    world.leaves = True
    with world.running():
        script = ("import asyncio\n"
                  "from tapwright.core.instrument import Instrument\n"
                  "from tapwright.live.clock import SystemClock\n"
                  "from tapwright.live.source import Context, SourceGone, source_of\n"
                  "async def run():\n"
                  f"    source = source_of('ble://{ADDRESS}?characteristic=ffe1')\n"
                  "    context = Context(instrument=None, clock=SystemClock(), opened=lambda: print('opened'), say=print)\n"
                  "    try:\n"
                  "        async for packet in source.packets(context):\n"
                  "            print(packet.data.hex(), packet.whole)\n"
                  "    except SourceGone as gone:\n"
                  "        print(gone)\n"
                  "asyncio.run(run())\n")
        done = subprocess.run([sys.executable, "-c", script], text=True, capture_output=True, timeout=60, check=True,
                              env=os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": world.address})
    assert done.stdout.split("\n") == ["opened", *(f"{frame.hex()} True" for frame in FRAMES), f"{ADDRESS} went away", ""]
