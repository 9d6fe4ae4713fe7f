"""The board's program: serial line -> reading -> page. Everything that touches the board is in hardware.py."""
# mypy: ignore-errors
# (Runs in MicroPython, which has no `typing`; tests run it under CPython with another hardware module.)

import asyncio
import binascii
import hashlib
import json
import os

import reading

MOST_STREAMS = 12
MOST_CLIENTS = 20
MOST_HEAD = 2048
MOST_FORM = 1024
MOST_UPDATE = 65536
CLIENT_S = 10  # a client that takes longer to send or to read is let go
STREAM_BEAT_S = 1
LOST_PERIODS = 3
LOOKED_S = 30  # somebody looks as long as the last request is no older
UPDATES = ("reading.py", "main.py", "page.html")
WORDS = {200: "OK", 303: "See Other", 400: "Bad Request", 403: "Forbidden", 404: "Not Found", 405: "Method Not Allowed",
         413: "Payload Too Large", 431: "Headers Too Large", 503: "Busy"}


class Refused(Exception):
    """A request that is answered with a status and a sentence."""


def read_settings(path):
    """Return the settings file as text by key, and its Wi-Fi networks as (name, password) in their order."""
    values, networks = {}, []
    with open(path) as file:
        for line in file:
            line = line.strip()
            if not line or line[0] == "#" or "=" not in line:
                continue
            at = line.index("=")
            key, text = line[:at].strip(), line[at + 1:].strip()
            if key == "wifi":
                bar = text.find("|")
                networks.append((text[:bar].strip(), text[bar + 1:].strip()) if bar >= 0 else (text, ""))
            else:
                values[key] = text
    return values, networks


def add_network(path, name, password):
    """Put a network first in the settings file; one of the same name is replaced. Written beside, then renamed."""
    with open(path) as file:
        lines = file.read().split("\n")
    kept = [line for line in lines
            if not (line.strip().startswith("wifi") and line.split("=", 1)[-1].split("|", 1)[0].strip() == name)]
    at = 0
    while at < len(kept) and not kept[at].strip().startswith("wifi"):
        at += 1
    while kept and not kept[-1].strip():
        kept.pop()
    kept.insert(min(at, len(kept)), "wifi = " + name + " | " + password)
    with open(path + ".new", "w") as file:
        file.write("\n".join(kept) + "\n")
    os.rename(path + ".new", path)


def same(a, b):
    """Compare two texts in a time that does not tell where they differ."""
    a, b = a.encode(), b.encode()
    different = len(a) ^ len(b)
    for i in range(len(a)):
        different |= a[i] ^ (b[i % len(b)] if b else 1)
    return not different


def unquote(text):
    """Return a form's field as text."""
    out, i, raw = bytearray(), 0, text.replace("+", " ").encode()
    while i < len(raw):
        if raw[i] == 37 and i + 2 < len(raw):
            try:
                out.append(int(raw[i + 1:i + 3].decode(), 16))
                i += 3
                continue
            except ValueError:
                pass
        out.append(raw[i])
        i += 1
    try:
        return bytes(out).decode()
    except UnicodeError:
        raise Refused(400, "not UTF-8") from None


class Board:
    """The program's state and its tasks. `hw` is the hardware face, `folder` where the files are."""

    def __init__(self, hw, folder=""):
        self.hw, self.folder = hw, folder
        self.settings, self.networks = read_settings(folder + "settings")
        self.framer = reading.Framer()
        self.row, self.seq, self.at_ms, self.period_ms = None, -1, None, 0
        self.gaps, self.news = [], asyncio.Event()
        self.streams = self.clients = self.wrong_passwords = 0
        self.looked_ms = hw.ms()
        self.is_setup = False
        self.restart = False
        self.battery_v = None
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
            await asyncio.sleep(5)
            waited += 5
            if self.is_setup:
                if waited >= 300 and self.networks and not self.is_looked_at():
                    waited = 0
                    await self.join()
            elif not self.hw.joined():
                await self.join()

    def is_looked_at(self):
        """Whether anybody looks at the page."""
        return self.streams > 0 or self.hw.ms() - self.looked_ms < LOOKED_S * 1000

    async def keep_house(self):
        """Feed the watchdog, measure the cells, slow down when nobody looks, start anew when asked."""
        feed = self.hw.watchdog() if self.settings.get("watchdog", "1") == "1" else None
        while True:
            if feed is not None:
                feed()
            if self.settings.get("battery_pin"):
                volts = self.hw.battery_v(int(self.number("battery_pin", 0)), self.number("battery_divider", 1))
                self.battery_v = None if volts is None else round(volts, 2)
            self.hw.pace(self.is_looked_at())
            await asyncio.sleep(1)
            if self.restart:
                self.hw.restart()
                return

    # Serving

    async def serve(self, reader, writer):
        """Answer one request."""
        if self.clients >= MOST_CLIENTS:
            await self.close(writer)
            return
        self.clients += 1
        try:
            head, rest = await asyncio.wait_for(self.read_head(reader), CLIENT_S)
            try:
                await self.answer(head, rest, reader, writer)
            except Refused as why:
                await self.reply(writer, why.args[0], "application/json", json.dumps({"error": why.args[1]}))
        except (OSError, asyncio.TimeoutError, EOFError, ValueError, IndexError):
            pass  # a client that went away or speaks no HTTP
        finally:
            self.clients -= 1
            await self.close(writer)

    async def close(self, writer):
        """Close a connection, whatever its state."""
        try:
            writer.close()
            await writer.wait_closed()
        except OSError:
            pass

    async def read_head(self, reader):
        """Return (method, path, headers) and the bytes read beyond them."""
        raw = b""
        while b"\r\n\r\n" not in raw:
            if len(raw) > MOST_HEAD:
                raise ValueError
            more = await reader.read(512)
            if not more:
                raise EOFError
            raw += more
        at = raw.index(b"\r\n\r\n")
        lines = raw[:at].decode().split("\r\n")
        method, path, _ = lines[0].split(" ")
        headers = {}
        for line in lines[1:]:
            cut = line.index(":")
            headers[line[:cut].lower()] = line[cut + 1:].strip()
        return (method, path.split("?")[0], headers), raw[at + 4:]

    async def answer(self, head, rest, reader, writer):
        """Route one request."""
        method, path, headers = head
        if not path.startswith("/api/update/"):
            self.looked_ms = self.hw.ms()
        if path in ("/", "/overlay", "/setup"):
            self.need(method, "GET")
            await self.send_page(writer)
        elif path == "/api/reading":
            self.need(method, "GET")
            await self.reply(writer, 200, "application/json", self.document())
        elif path == "/api/stream":
            self.need(method, "GET")
            await self.stream(writer)
        elif path == "/api/networks":
            self.need(method, "POST")
            await self.set_network(headers, rest, reader, writer)
        elif path.startswith("/api/update/"):
            self.need(method, "PUT")
            await self.update(path[12:], headers, rest, reader, writer)
        else:
            raise Refused(404, "no such page")

    def need(self, method, wanted):
        """Refuse another method."""
        if method != wanted:
            raise Refused(405, "only " + wanted + " here")

    async def reply(self, writer, status, kind, text):
        """Send a whole answer."""
        body = text.encode()
        writer.write(("HTTP/1.1 %d %s\r\nContent-Type: %s; charset=utf-8\r\nContent-Length: %d\r\nCache-Control: no-store\r\n"
                      "Connection: close\r\n\r\n" % (status, WORDS[status], kind, len(body))).encode())
        writer.write(body)
        await asyncio.wait_for(writer.drain(), CLIENT_S)

    async def send_page(self, writer):
        """Send page.html in pieces: it need not fit into memory at once."""
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Type: text/html; charset=utf-8\r\nConnection: close\r\n"
                     b"X-Frame-Options: DENY\r\nReferrer-Policy: no-referrer\r\n\r\n")
        with open(self.folder + "page.html", "rb") as file:
            while True:
                piece = file.read(1024)
                if not piece:
                    break
                writer.write(piece)
                await asyncio.wait_for(writer.drain(), CLIENT_S)

    async def stream(self, writer):
        """Send every new reading as an event, and one a second without; a slow client skips to the newest."""
        if self.streams >= MOST_STREAMS:
            raise Refused(503, "a dozen viewers are here already")
        self.streams += 1
        try:
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Type: text/event-stream\r\nCache-Control: no-store\r\n"
                         b"Connection: close\r\n\r\n")
            while not self.restart:
                news = self.news
                event = "id: %d\n" % self.seq if self.seq >= 0 else ""
                writer.write((event + "data: " + self.document() + "\n\n").encode())
                await asyncio.wait_for(writer.drain(), CLIENT_S)
                try:
                    await asyncio.wait_for(news.wait(), STREAM_BEAT_S)
                except asyncio.TimeoutError:
                    pass
        finally:
            self.streams -= 1

    def guard(self, headers):
        """Refuse whoever does not know the update password; after five wrong ones until the next start."""
        wanted = self.settings.get("update_password") or ""
        if len(wanted) < 8:
            raise Refused(403, "no update password of 8 characters or more in the settings: updates only over the cable")
        if self.wrong_passwords >= 5:
            raise Refused(403, "too many wrong passwords: switch the board off and on")
        if not same(wanted, headers.get("x-password", "")):
            self.wrong_passwords += 1
            raise Refused(403, "wrong password")
        self.wrong_passwords = 0

    def size(self, headers, most):
        """Return the length of a body that fits."""
        text = headers.get("content-length", "")
        if not text.isdigit():
            raise Refused(400, "Content-Length missing")
        if int(text) > most:
            raise Refused(413, "too large")
        return int(text)

    async def body(self, n, rest, reader, take):
        """Hand a body of n bytes to `take`, piece by piece."""
        got = rest[:n]
        take(got)
        n -= len(got)
        while n:
            got = await asyncio.wait_for(reader.read(min(n, 1024)), CLIENT_S)
            if not got:
                raise EOFError
            take(got)
            n -= len(got)

    async def set_network(self, headers, rest, reader, writer):
        """Take a network's name and password: from the own access point, elsewhere only with the update password."""
        if headers.get("x-tapwright") != "1":
            raise Refused(403, "only from the board's own page")
        if not self.is_setup:
            self.guard(headers)
        pieces = []
        await self.body(self.size(headers, MOST_FORM), rest, reader, pieces.append)
        form = {}
        for part in b"".join(pieces).decode().split("&"):
            if "=" in part:
                form[part[:part.index("=")]] = unquote(part[part.index("=") + 1:])
        name, password = form.get("name", "").strip(), form.get("password", "")
        if not 1 <= len(name.encode()) <= 32 or "|" in name or any([ord(c) < 32 for c in name + password]):
            raise Refused(400, "a network's name has 1 to 32 bytes, no | and no control characters")
        if password and not 8 <= len(password.encode()) <= 63 or password != password.strip():
            raise Refused(400, "a network's password has 8 to 63 characters, none of them a blank at its ends")
        add_network(self.folder + "settings", name, password)
        self.hw.log("a network was added; starting anew")
        await self.reply(writer, 200, "application/json", json.dumps({"done": "saved; the board starts anew"}))
        self.restart = True

    async def update(self, name, headers, rest, reader, writer):
        """Replace one of the program's files: password, length and SHA-256 must hold, and only then it takes the name."""
        self.guard(headers)
        if name not in UPDATES:
            raise Refused(404, "only " + ", ".join(UPDATES))
        n = self.size(headers, MOST_UPDATE)
        digest, path = hashlib.sha256(), self.folder + name
        with open(path + ".new", "wb") as file:
            def take(piece):
                digest.update(piece)
                file.write(piece)
            await self.body(n, rest, reader, take)
        if binascii.hexlify(digest.digest()).decode() != headers.get("x-sha256", "").lower():
            os.remove(path + ".new")
            raise Refused(400, "the SHA-256 in X-Sha256 does not fit what arrived")
        try:
            os.remove(path + ".old")
        except OSError:
            pass
        os.rename(path, path + ".old")
        os.rename(path + ".new", path)
        self.hw.log("updated " + name)
        await self.reply(writer, 200, "application/json", json.dumps({"done": name + " replaced; the board starts anew"}))
        self.restart = True

    async def run(self, port=80, host="0.0.0.0"):
        """Do everything, for ever."""
        house = asyncio.create_task(self.keep_house())
        line = asyncio.create_task(self.read_line())
        await self.join()
        self.server = await asyncio.start_server(self.serve, host, port)
        joined = asyncio.create_task(self.keep_joined())
        await house
        line.cancel()
        joined.cancel()
        self.server.close()


if __name__ == "__main__":
    import hardware

    asyncio.run(Board(hardware).run())
