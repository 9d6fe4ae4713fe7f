"""What the board serves: page, newest reading, stream, set-up and updates, over plain sockets."""
# mypy: ignore-errors
# (Runs in MicroPython, which has no `typing`; tests run it under CPython with another hardware module.)

import asyncio
import binascii
import hashlib
import json
import os

import config

MOST_STREAMS = 12
MOST_CLIENTS = 20
MOST_HEAD = 2048
MOST_FORM = 1024
MOST_UPDATE = 65536
CLIENT_S = 10  # a client that takes longer to send or to read is let go
STREAM_BEAT_S = 1
LOOKED_S = 30  # somebody looks as long as the last request is no older
UPDATES = ("reading.py", "main.py", "web.py", "config.py", "page.html")
WORDS = {200: "OK", 400: "Bad Request", 403: "Forbidden", 404: "Not Found", 405: "Method Not Allowed",
         413: "Payload Too Large", 503: "Busy"}


class Refused(Exception):
    """A request that is answered with a status and a sentence."""


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


class Site:
    """The board's pages; `board` holds readings, settings and the hardware face."""

    def __init__(self, board):
        self.board, self.folder = board, board.folder
        self.streams = self.clients = self.wrong_passwords = 0
        self.looked_ms = board.hw.ms()

    def is_looked_at(self):
        """Whether anybody looks at the page."""
        return self.streams > 0 or self.board.hw.ms() - self.looked_ms < LOOKED_S * 1000

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
            self.looked_ms = self.board.hw.ms()
        if path in ("/", "/overlay", "/setup"):
            self.need(method, "GET")
            await self.send_page(writer)
        elif path == "/api/reading":
            self.need(method, "GET")
            await self.reply(writer, 200, "application/json", self.board.document())
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
            while not self.board.restart:
                news = self.board.news
                event = "id: %d\n" % self.board.seq if self.board.seq >= 0 else ""
                writer.write((event + "data: " + self.board.document() + "\n\n").encode())
                await asyncio.wait_for(writer.drain(), CLIENT_S)
                try:
                    await asyncio.wait_for(news.wait(), STREAM_BEAT_S)
                except asyncio.TimeoutError:
                    pass
        finally:
            self.streams -= 1

    def guard(self, headers):
        """Refuse whoever does not know the update password; after five wrong ones until the next start."""
        wanted = self.board.settings.get("update_password") or ""
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
        if not self.board.is_setup:
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
        config.add_network(self.folder + "settings", name, password)
        self.board.hw.log("a network was added; starting anew")
        await self.reply(writer, 200, "application/json", json.dumps({"done": "saved; the board starts anew"}))
        self.board.restart = True

    async def update(self, name, headers, rest, reader, writer):
        """Replace one of the program's files: password, length and SHA-256 must hold, and only then it takes the name."""
        self.guard(headers)
        if name not in UPDATES:
            raise Refused(404, "only " + ", ".join(UPDATES))
        n = self.size(headers, MOST_UPDATE)
        digest, path = hashlib.sha256(), self.folder + name
        whole = False
        try:
            with open(path + ".new", "wb") as file:
                def take(piece):
                    digest.update(piece)
                    file.write(piece)
                await self.body(n, rest, reader, take)
            whole = binascii.hexlify(digest.digest()).decode() == headers.get("x-sha256", "").lower()
        finally:
            if not whole:
                os.remove(path + ".new")  # cut off, or not what was meant: it shall not take room
        if not whole:
            raise Refused(400, "the SHA-256 in X-Sha256 does not fit what arrived")
        try:
            os.remove(path + ".old")
        except OSError:
            pass
        os.rename(path, path + ".old")
        os.rename(path + ".new", path)
        self.board.hw.log("updated " + name)
        await self.reply(writer, 200, "application/json", json.dumps({"done": name + " replaced; the board starts anew"}))
        self.board.restart = True
