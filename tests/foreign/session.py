"""One connection with the station: welcome, handshake, then a line in and a line out (standards/srcp.md A1-A3, A8)."""

import asyncio
import itertools

from words import TEXTS, Refused

WELCOMES = {
    "plain": "SRCP 0.8.4; SRCPOTHER 0.8.3",
    "odd": "Harbour Yard Frame 3.1; SRCP 0.8.4; SRCPOTHER 0.8.3; FRAME yard-2 b",
    "bare": "SRCP 0.8.3",
}
VERSIONS = {"plain": ("0.8.4", "0.8.3"), "odd": ("0.8.4", "0.8.3"), "bare": ("0.8.3",)}
MODE_DONE = {"plain": "202 OK CONNECTIONMODEOK", "odd": "202 OK CONNECTION MODE", "bare": "202 OK CONNECTIONMODE"}


class Session:
    """A client's connection. It has one mode for life; in information mode it is only written to."""

    numbers = itertools.count(51)

    def __init__(self, station, reader, writer):
        self.station, self.reader, self.writer = station, reader, writer
        self.style = station.style
        self.id = None
        self.mode = "COMMAND"
        self.sent = 0

    def say(self, text, when=None):
        """Writes one line with its time stamp, in the manner of this station."""
        if self.writer.is_closing():
            return
        if self.writer.transport.get_write_buffer_size() > 4_000_000:
            self.writer.transport.abort()
            return
        stamp = self.station.stamp(when)
        self.sent += 1
        if self.style == "odd":
            stamp = (stamp, stamp.split(".")[0], "")[self.sent % 3]
            line = f"{stamp} {text}".strip() + "\r\n"
        else:
            line = f"{stamp} {text}\n"
        self.writer.write(line.encode())

    async def read_words(self):
        """The words of the next line; None at the end of the connection."""
        try:
            line = await self.reader.readline()
        except (ValueError, ConnectionError):
            return None  # longer than any line may be, or gone
        return line.decode("latin-1").split() if line.endswith(b"\n") else None

    async def serve(self):
        """The whole life of the connection."""
        end = "\r\n" if self.style == "odd" else "\n"
        self.writer.write((WELCOMES[self.style] + end).encode())
        if await self.shake_hands():
            self.station.enter(self)
            try:
                await self.converse()
            finally:
                self.station.leave(self)

    async def shake_hands(self):
        """Answers lines until GO; False when the client left before."""
        while (words := await self.read_words()) is not None:
            if words == ["GO"]:
                self.id = next(self.numbers)
                self.say(f"200 OK {self.id}" if self.style == "odd" else f"200 OK GO {self.id}")
                return True
            self.say(self.shake(words))
        return False

    def shake(self, words):
        """The reply to one line of the handshake."""
        match words:
            case ["SET", "PROTOCOL", "SRCP", version]:
                known = version in VERSIONS[self.style]
                return "201 OK PROTOCOL SRCP" if known else f"400 ERROR {TEXTS[400]}"
            case ["SET", "CONNECTIONMODE", "SRCP", mode]:
                if mode == "COMMAND" or (mode == "INFO" and self.style != "bare"):
                    self.mode = mode
                    return MODE_DONE[self.style]
                return f"401 ERROR {TEXTS[401]}"
            case ["SET", *_]:
                return f"402 ERROR {TEXTS[402]}"
        return f"410 ERROR {TEXTS[410]}"

    async def converse(self):
        """After GO: commands answered in order, or in information mode input ignored."""
        while (words := await self.read_words()) is not None:
            if self.mode == "INFO":
                continue
            try:
                reply = await self.station.obey(self, words)
            except Refused as refusal:
                reply = f"{refusal.code} ERROR {TEXTS[refusal.code]}"
            self.say(reply)
            if words[:3] == ["TERM", "0", "SESSION"] and reply[0] in "12":
                break
        try:
            await asyncio.wait_for(self.writer.drain(), 1.0)
        except (TimeoutError, ConnectionError):
            pass
