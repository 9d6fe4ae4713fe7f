"""The board's hardware, as thin as can be: serial line, Wi-Fi, watchdog, cells, clock. MicroPython's own modules."""
# mypy: ignore-errors
# (Only a board has these modules; tests put another face in its place.)

import asyncio
import time

import machine
import network

_station = network.WLAN(network.STA_IF)
_own = network.WLAN(network.AP_IF)
_clock = [time.ticks_ms(), 0]
_FAST_HZ, _SLOW_HZ = 160000000, 80000000


def log(text):
    """Write a line to the cable's console; passwords never come here."""
    print(text)


def ms():
    """Return milliseconds since the start; does not wrap."""
    now = time.ticks_ms()
    _clock[1] += time.ticks_diff(now, _clock[0])
    _clock[0] = now
    return _clock[1]


def serial(settings):
    """Return a stream that reads the instrument's line; its driver buffers by interrupt."""
    parity = {"even": 0, "odd": 1}.get(settings.get("parity"))
    invert = machine.UART.INV_RX if settings.get("inverted") == "1" else 0
    uart = machine.UART(int(settings.get("uart", "1")), baudrate=int(settings["baud"]), rx=int(settings["rx_pin"]),
                        bits=int(settings.get("data_bits", "8")), parity=parity,
                        stop=int(float(settings.get("stop_bits", "1"))), rxbuf=1024, invert=invert)
    return asyncio.StreamReader(uart)


def hold(pin, level):
    """Hold an output at a level: the line that the instrument waits for before it sends."""
    machine.Pin(pin, machine.Pin.OUT, value=level)


def hostname(name):
    """Give the name under which the board is found: NAME.local where the port announces it (mDNS)."""
    network.hostname(name)


async def scan():
    """Return the names of the networks in reach."""
    _station.active(True)
    try:
        return [found[0].decode() for found in _station.scan()]
    except OSError:
        return []


async def join(name, password, seconds):
    """Join a network; return whether that worked."""
    _own.active(False)
    _station.active(True)
    _station.disconnect()
    _station.connect(name, password) if password else _station.connect(name)
    for _ in range(seconds * 4):
        if _station.isconnected():
            return True
        await asyncio.sleep(0.25)
    return False


def joined():
    """Return whether the network is there."""
    return _station.isconnected()


def address():
    """Return the board's own address."""
    return (_station if _station.isconnected() else _own).ifconfig()[0]


def access_point(name, password):
    """Open an own network."""
    _station.active(False)
    _own.active(True)
    if len(password) >= 8:
        _own.config(ssid=name, security=3, key=password)
    else:
        _own.config(ssid=name, security=0)


def watchdog():
    """Start the watchdog; return what feeds it."""
    return machine.WDT(timeout=8000).feed


def battery_v(pin, divider):
    """Return the cells' volts behind a divider."""
    pin = machine.ADC(machine.Pin(pin))
    return sum([pin.read_uv() for _ in range(8)]) / 8e6 * divider


def pace(looked_at):
    """Run slower, and let the radio sleep between beacons, while nobody looks."""
    wanted = _FAST_HZ if looked_at else _SLOW_HZ
    if machine.freq() != wanted:
        machine.freq(wanted)
        try:
            _station.config(pm=_station.PM_NONE if looked_at else _station.PM_POWERSAVE)
        except (AttributeError, ValueError, OSError):
            pass  # a port without power saving


def restart():
    """Start anew."""
    machine.reset()
