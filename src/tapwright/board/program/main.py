"""The board's program: serial line -> reading -> page. Everything that touches the board is in hardware.py."""
# mypy: ignore-errors
# (Runs in MicroPython, which has no `typing`; tests run it under CPython with another hardware module.)

import asyncio
import json

import config
import reading
import web

LOST_PERIODS = 3
JOINED_EVERY_S = 5  # how often it looks whether the network is there
RETRY_S = 300  # how often the own access point gives way to a try of the known networks, while nobody looks


class Board:
    """The program's state and its tasks. `hw` is the hardware face, `folder` where the files are."""

    def __init__(self, hw, folder=""):
        self.hw, self.folder = hw, folder
        self.settings, self.networks = config.read_settings(folder + "settings")
        self.framer = reading.Framer()
        self.row, self.seq, self.at_ms, self.period_ms = None, -1, None, 0
        self.gaps, self.news = [], asyncio.Event()
        self.is_setup = False
        self.restart = False
        self.battery_v = None
        self.site = web.Site(self)
        for key, level in (("hold_high", 1), ("hold_low", 0)):
            for pin in self.settings.get(key, "").replace(",", " ").split():
                if pin.isdigit():
                    hw.hold(int(pin), level)
                else:
                    hw.log("setting " + key + ": " + pin + " is no pin number")
        n, wrong = reading.self_test()
        self.self_test = "none" if not n else "passed" if wrong is None else "failed at frame %d of %d" % (wrong + 1, n)
        hw.log("self-test: " + self.self_test)

    def number(self, key, otherwise):
        """Return a setting as a number; one that is none counts as left out."""
        try:
            return float(self.settings.get(key) or otherwise)
        except ValueError:
            self.hw.log("setting " + key + " is no number")
            return otherwise

    # Reading the line

    def take(self, data):
        """Take bytes of the line as they arrive."""
        for frame in self.framer.feed(data):
            self.show(frame)

    def silence(self):
        """Take note that the line is silent: closes a frame whose end is idle time alone."""
        for frame in self.framer.gap():
            self.show(frame)

    def show(self, frame):
        """Make a frame the newest reading."""
        now = self.hw.ms()
        if self.at_ms is not None:
            self.gaps = (self.gaps + [now - self.at_ms])[-9:]
            self.period_ms = sorted(self.gaps)[len(self.gaps) // 2]
        self.row, self.seq, self.at_ms = reading.decode(frame), self.seq + 1, now
        news, self.news = self.news, asyncio.Event()
        news.set()

    def is_lost(self):
        """Whether the signal is lost: three periods missed (one second at least); None before the first reading."""
        if self.at_ms is None:
            return None
        return self.hw.ms() - self.at_ms > max(LOST_PERIODS * self.period_ms, 1000)

    def document(self):
        """Return the newest reading and how things stand, as JSON text. A number keeps the digits shown."""
        row = self.row or {"display": "", "value": "", "unit": "", "flags": "", "status": ""}
        low = self.number("battery_low_v", 0)
        state = {
            "t": (self.at_ms or 0) / 1000, "seq": self.seq, "display": row["display"], "unit": row["unit"],
            "flags": row["flags"], "status": row["status"], "name": self.settings.get("name", ""),
            "age_s": None if self.at_ms is None else (self.hw.ms() - self.at_ms) / 1000,
            "period_s": self.period_ms / 1000, "lost": self.is_lost(), "self_test": self.self_test,
            "battery_v": self.battery_v, "battery_low": self.battery_v is not None and self.battery_v < low,
            "setup": self.is_setup,
        }
        return json.dumps(state)[:-1] + ', "value": ' + (row["value"] or "null") + "}"

    async def read_line(self):
        """Read the serial line for ever."""
        gap_s = self.number("gap_s", 0)
        serial = self.hw.serial(self.settings)
        while True:
            try:
                data = await asyncio.wait_for(serial.read(64), gap_s or 1)
            except asyncio.TimeoutError:
                self.silence()
                continue
            if data:
                self.take(data)
            else:
                await asyncio.sleep(0.02)

    # Joining

    async def join(self):
        """Join the first known network in reach; with none, open an own access point with the set-up page."""
        self.hw.hostname(self.settings.get("name") or "instrument")
        reach = await self.hw.scan() if self.networks else []
        for name, password in sorted(self.networks, key=lambda one: one[0] not in reach):
            self.hw.log("joining a known network")
            if await self.hw.join(name, password, 15):
                self.is_setup = False
                self.hw.log("joined; address " + self.hw.address())
                return
        self.hw.access_point((self.settings.get("name") or "instrument")[:24] + "-setup",
                             self.settings.get("setup_password") or "")
        self.is_setup = True
        self.hw.log("no known network; own access point at " + self.hw.address())

    async def keep_joined(self):
        """Join anew when the network was lost; from the access point try again every five minutes when nobody looks."""
        waited = 0
        while True:
            await asyncio.sleep(JOINED_EVERY_S)
            waited += JOINED_EVERY_S
            if self.is_setup:
                if waited >= RETRY_S and self.networks and not self.site.is_looked_at():
                    waited = 0
                    await self.join()
            elif not self.hw.joined():
                await self.join()

    async def keep_house(self):
        """Feed the watchdog, measure the cells, slow down when nobody looks, start anew when asked."""
        feed = self.hw.watchdog() if self.settings.get("watchdog", "1") == "1" else None
        while True:
            if feed is not None:
                feed()
            if self.settings.get("battery_pin"):
                volts = self.hw.battery_v(int(self.number("battery_pin", 0)), self.number("battery_divider", 1))
                self.battery_v = None if volts is None else round(volts, 2)
            self.hw.pace(self.site.is_looked_at())
            await asyncio.sleep(1)
            if self.restart:
                self.hw.restart()
                return

    async def run(self, port=80, host="0.0.0.0"):
        """Do everything, for ever."""
        house = asyncio.create_task(self.keep_house())
        line = asyncio.create_task(self.read_line())
        await self.join()
        self.server = await asyncio.start_server(self.site.serve, host, port)
        joined = asyncio.create_task(self.keep_joined())
        await house
        line.cancel()
        joined.cancel()
        self.server.close()


if __name__ == "__main__":
    import hardware

    asyncio.run(Board(hardware).run())
