"""Service mode of the station: one programming track, and programming on the main (standards/srcp.md A6, dcc.md 5).

The numbers 0 and -1 both mean the programming track. The decoder answers there only while its wheels stand. On the main
nothing comes back. Where the sheet leaves a code open: 416 without acknowledgement, 412 for a value that differs.
"""

import asyncio

from words import Refused, need, whole


class Programmer:
    """Who programs, and whether the track belongs to it."""

    def __init__(self, station):
        self.station, self.style, self.decoder = station, station.style, station.engine.decoder
        self.holder = None     # the session that has INIT SM in force
        self.service = False   # the programming track is in use: no other traffic
        self.track_free = asyncio.Lock()
        self.actions = {"INIT": self.init, "SET": self.set, "GET": self.get, "VERIFY": self.verify, "TERM": self.term}

    def init(self, session, words):
        need(words, 1)
        if words[0] != "NMRA":
            raise Refused(420)
        again = self.holder is not None
        self.holder = session
        self.station.inform("101 INFO 1 SM NMRA")
        if self.style == "odd":
            self.begin_service()
            if again:
                raise Refused(424)
        return "200 OK"

    def term(self, _session, _words):
        self.end_service()
        self.holder = None
        self.station.inform("102 INFO 1 SM")
        return "200 OK"

    def begin_service(self):
        """The track belongs to programming from now on: other traffic rests."""
        if not self.service:
            self.service = True
            if self.style == "odd":
                self.station.inform(self.station.power_line())
        self.station.refresh()

    def end_service(self):
        if self.service:
            self.service = False
            self.station.power = self.station.power and self.style != "bare"
            if self.style == "odd":
                self.station.inform(self.station.power_line())
        self.station.refresh()

    async def on_track(self, seconds):
        """Takes the programming track for one operation of this length; 416 unless the engine stands."""
        if self.holder is None and self.style != "bare":
            raise Refused(412)
        self.begin_service()
        await self.wait(seconds)
        if not self.station.engine.stands():
            raise Refused(416)

    async def wait(self, seconds):
        """Lets bench time pass."""
        until = self.station.clock() + seconds
        while self.station.clock() < until:
            await asyncio.sleep(0.002)

    def place(self, words, values):
        """Decoder address, kind (CV or CVBIT), and the numbers after it, with `values` more than a reading has."""
        need(words, 2)
        if words[1] not in ("CV", "CVBIT"):
            raise Refused(425 if words[1] in ("REG", "PAGE") else 411)
        bits = words[1] == "CVBIT"
        need(words, 3 + bits + values)
        numbers = [whole(w) for w in words[2:3 + bits + values]]
        if not 1 <= numbers[0] <= 1024 or (bits and not 0 <= numbers[1] <= 7):
            raise Refused(412)
        if values and not 0 <= numbers[-1] <= (1 if bits else 255):
            raise Refused(412)
        return whole(words[0]), words[1], numbers

    def stored(self, kind, numbers):
        """The value that the decoder acknowledges, or 416."""
        value = self.decoder.read(numbers[0])
        if value is None:
            raise Refused(416)
        return value >> numbers[1] & 1 if kind == "CVBIT" else value

    async def get(self, _session, words):
        address, kind, numbers = self.place(words, 0)
        if address > 0:
            raise Refused(423)
        async with self.track_free:
            await self.on_track(3.0 if self.style == "odd" else 1.0)
            value = self.stored(kind, numbers)
        line = " ".join(["100 INFO 1 SM", str(address), kind, *map(str, numbers), str(value)])
        self.station.inform(line)
        return line

    async def verify(self, _session, words):
        if self.style == "bare":
            raise Refused(423)
        address, kind, numbers = self.place(words, 1)
        if address > 0:
            raise Refused(423)
        async with self.track_free:
            await self.on_track(0.4)
            if self.stored(kind, numbers) != numbers[-1]:
                raise Refused(412)
        return "200 OK"

    async def set(self, _session, words):
        address, kind, numbers = self.place(words, 1)
        if address > 0:  # on the main: nothing comes back, whoever heard it
            if self.holder is None and self.style != "bare":
                raise Refused(412)
            if kind != "CV":
                raise Refused(425)
            if self.decoder.track == "run" and self.decoder.answers_to(address, bool(self.decoder.cvs[29] & 32)):
                self.decoder.write(numbers[0], numbers[1])
        else:
            async with self.track_free:
                await self.on_track(0.5)
                if not self.decoder.write(numbers[0], self.with_bit(kind, numbers)):
                    raise Refused(416)
        self.station.inform(" ".join(["100 INFO 1 SM", str(address), kind, *map(str, numbers)]))
        return "200 OK"

    def with_bit(self, kind, numbers):
        """The whole byte to store."""
        if kind == "CV":
            return numbers[1]
        old = self.decoder.read(numbers[0]) or 0
        return old & ~(1 << numbers[1]) | numbers[2] << numbers[1]
