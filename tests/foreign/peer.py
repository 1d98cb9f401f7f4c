"""A command station, a locomotive and a field sensor that Pacewright's authors' simulator has no part in.

A test starts it, writes a bench file for it and lets the program calibrate the engine. It listens on the loopback
interface only, on three ports: station (SRCP), sensor (CSV), and truth for the test alone. When it is ready it prints
one line, `station PORT sensor PORT truth PORT`; it ends when its standard input closes. Bench time is wall time times
the time-lapse. Lines understood at the truth port:

    truth STEP OF forward|reverse   steady speed in mm/s of the engine, run in, with the CVs as they are now
    cv NUMBER                       the value stored there
    speed                           the speed at this moment, mm/s
    track                           off, run or service

The standard library of Python 3.11 is all it needs.
"""

import argparse
import asyncio
import os
import random
import sys
import threading
import time

sys.dont_write_bytecode = True

from engine import KINDS, STEP_S, Engine, Field  # noqa: E402
from session import WELCOMES, Session  # noqa: E402
from station import Station  # noqa: E402

BEAT_S = 0.005
"""Wall time between two batches of samples."""


class Bench:
    """Ties clock, engine, station and sensor together."""

    def __init__(self, options):
        self.lapse = options.time_lapse
        self.began = time.monotonic()
        self.engine = Engine(options.engine, options.address, random.Random(options.seed))
        self.field = Field(options.style, options.seed)
        self.station = Station(options.style, self.engine, self.now)
        self.listeners = set()
        self.steps = 0

    def now(self):
        """Bench time in seconds."""
        return (time.monotonic() - self.began) * self.lapse

    def catch_up(self):
        """Moves the engine to this moment; returns the samples on the way."""
        self.station.refresh()
        lines, watched, until = [], bool(self.listeners), self.now()
        while self.steps * STEP_S <= until:
            self.engine.advance()
            if watched:
                lines.append(self.field.line(self.steps * STEP_S, self.engine.angle))
            self.steps += 1
        return lines

    def send(self, lines):
        """Gives samples to whoever listens; one who does not read is dropped."""
        batch = "".join(lines).encode()
        for writer in list(self.listeners):
            if writer.is_closing() or writer.transport.get_write_buffer_size() > 8_000_000:
                writer.transport.abort()
                self.listeners.discard(writer)
            else:
                writer.write(batch)

    async def run(self):
        """The beat of the bench."""
        count, next_talk, next_header = 0, 0.0, 60.0
        while True:
            lines = self.catch_up()
            if self.field.odd and self.now() > next_header:
                lines.insert(0, self.field.header)
                next_header += 60.0
            if self.field.odd and self.now() > next_talk:
                self.station.chatter(count)
                count, next_talk = count + 1, self.now() + 2.0
            if lines:
                self.send(lines)
            await asyncio.sleep(BEAT_S)

    async def serve_station(self, reader, writer):
        """One client of the station."""
        await closing(Session(self.station, reader, writer).serve(), writer)

    async def serve_sensor(self, reader, writer):
        """One listener of the sensor: a header, then samples from now on."""
        writer.write(self.field.header.encode())
        self.listeners.add(writer)
        await closing(until_gone(reader), writer)
        self.listeners.discard(writer)

    async def serve_truth(self, reader, writer):
        """The test's own line to the engine."""
        async def talk():
            while line := await reader.readline():
                writer.write((self.answer(line.decode().split()) + "\n").encode())
        await closing(talk(), writer)

    def answer(self, words):
        """The reply at the truth port."""
        match words:
            case ["truth", step, steps, "forward" | "reverse" as way]:
                steps = 126 if steps == "128" else int(steps)
                return f"{self.engine.truth(int(step), steps, way == 'forward'):.4f}"
            case ["cv", number]:
                return str(self.engine.decoder.read(int(number)))
            case ["speed"]:
                return f"{self.engine.speed:.4f}"
            case ["track"]:
                return self.engine.decoder.track
        return "not understood"


async def until_gone(reader):
    """Reads and forgets until the other side closes."""
    while await reader.read(4096):
        pass


async def closing(work, writer):
    """Does the work of a connection and closes it, whatever the other side did and when the bench ends."""
    try:
        await work
    except (ConnectionError, TimeoutError, asyncio.CancelledError):
        pass
    finally:
        writer.close()


def read_options():
    """The command line."""
    parser = argparse.ArgumentParser(description="A bench that was written from the published facts alone.")
    parser.add_argument("--station-port", type=int, default=0)
    parser.add_argument("--sensor-port", type=int, default=0)
    parser.add_argument("--time-lapse", type=float, default=40.0)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--address", type=int, default=4, help="above 127: a long address")
    parser.add_argument("--style", choices=sorted(WELCOMES), default="plain")
    parser.add_argument("--engine", choices=sorted(KINDS), default="smooth")
    return parser.parse_args()


def watch_input(loop, stop):
    """Ends the bench when standard input closes."""
    while os.read(0, 4096):
        pass
    loop.call_soon_threadsafe(stop.set)


async def main():
    """Opens the ports, says so, and runs."""
    options, stop = read_options(), asyncio.Event()
    bench = Bench(options)
    ports = []
    for serve, port in ((bench.serve_station, options.station_port), (bench.serve_sensor, options.sensor_port),
                        (bench.serve_truth, 0)):
        server = await asyncio.start_server(serve, "127.0.0.1", port, limit=1024)
        ports.append(server.sockets[0].getsockname()[1])
    threading.Thread(target=watch_input, args=(asyncio.get_running_loop(), stop), daemon=True).start()
    print("station {} sensor {} truth {}".format(*ports), flush=True)
    beat, ended = asyncio.ensure_future(bench.run()), asyncio.ensure_future(stop.wait())
    done, _ = await asyncio.wait({beat, ended}, return_when=asyncio.FIRST_COMPLETED)
    if beat in done:
        beat.result()  # shows what went wrong instead of standing silent


if __name__ == "__main__":
    asyncio.run(main())
