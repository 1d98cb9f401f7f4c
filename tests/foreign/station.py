"""A command station that speaks SRCP 0.8.3/0.8.4 in its own reading of standards/srcp.md part A, in one of three manners.

plain  all groups, the fact sheet's first reading of everything
odd    the traps of A10 and the second readings: see `Session` for line ends and stamps; speeds reported in decoder
       steps; 424 on a second INIT; power off at the start and reported off while programming; other people's devices
       in the information lines; a lock needs an end
bare   no information mode, no locks, no descriptions, no verify; power stays off after programming

One bus with one programming track; the engine on its rollers is wired to both. All times are bench time.
"""

import asyncio

from programming import Programmer
from words import Refused, need, whole

SPEEDS = {14: 14, 28: 28, 128: 126}
GROUPS = {
    "plain": "GL SM POWER LOCK DESCRIPTION",
    "odd": "GA FB GL SM POWER LOCK DESCRIPTION",
    "bare": "GL SM POWER",
}
START_UNIX_S = 1_700_000_000.0


class Loco:
    """What the station remembers of one address: it repeats this to the track for ever."""

    def __init__(self, address, version, steps, functions):
        self.address, self.version, self.steps = address, version, steps
        self.drivemode, self.speed, self.top = 1, 0, SPEEDS[steps]
        self.forward = True
        self.functions = ["0"] * functions
        self.changed = None

    def packet_step(self, round_up):
        """The user's step that goes into the packet; a speed above 0 never becomes 0."""
        if self.speed == 0 or self.drivemode == 2:
            return 0
        share = self.speed * SPEEDS[self.steps]
        step = -(-share // self.top) if round_up else share // self.top
        return min(max(step, 1), SPEEDS[self.steps])


class Station:
    """Devices, locks, power, and who is to be told."""

    def __init__(self, style, engine, clock):
        self.style, self.engine, self.clock = style, engine, clock
        self.sessions = {}
        self.locos = {}
        self.locks = {}          # address -> (session id, duration, bench time of its end or None)
        self.power = style != "odd"
        self.power_text = "" if self.power else "AUTO POWER OFF"
        self.power_changed = 0.0
        self.programmer = Programmer(self)
        if style == "odd":
            self.locos[99] = Loco(99, 1, 28, 5)
        self.actions = {
            "GL": {"INIT": self.init_gl, "SET": self.set_gl, "GET": self.get_gl, "TERM": self.term_gl},
            "POWER": {"INIT": self.init_power, "SET": self.set_power, "GET": self.get_power, "TERM": self.init_power},
            "LOCK": {"SET": self.set_lock, "GET": self.get_lock, "TERM": self.term_lock},
            "SM": self.programmer.actions,
            "DESCRIPTION": {"GET": self.describe},
            "GA": {}, "FB": {},
        }

    # -- telling -------------------------------------------------------------------------------------------------

    def stamp(self, when=None):
        """Seconds since 1970 with three places."""
        return f"{START_UNIX_S + (self.clock() if when is None else when):.3f}"

    def inform(self, text):
        """One line to every information session."""
        for session in list(self.sessions.values()):
            if session.mode == "INFO":
                session.say(text)

    def enter(self, session):
        """A session begins: an information session first hears the state of everything, with the events' own times."""
        self.sessions[session.id] = session
        self.inform(f"101 INFO 0 SESSION {session.id} {session.mode}")
        if session.mode != "INFO":
            return
        session.say("100 INFO 0 DESCRIPTION SESSION SERVER", 0.0)
        session.say(f"100 INFO 1 DESCRIPTION {GROUPS[self.style]}", 0.0)
        session.say(self.power_line(), self.power_changed)
        if self.style == "odd":
            session.say("100 INFO 1 FB 5 1", -812.4)
            session.say("100 INFO 2 GL 4 1 9 28 1 0 0 0 0", -3.9)  # another bus: not the engine on bus 1
        for loco in self.locos.values():
            session.say(self.init_line(loco), loco.changed)
            session.say(self.speed_line(loco), loco.changed)
        for address, (holder, duration, _) in self.locks.items():
            session.say(f"100 INFO 1 LOCK GL {address} {duration} {holder}")

    def leave(self, session):
        """A session ends, and its locks with it. Engines run on: nobody said stop."""
        self.sessions.pop(session.id, None)
        for address in [a for a, lock in self.locks.items() if lock[0] == session.id]:
            self.unlock(address)
        if self.programmer.holder is session and self.style != "odd":
            self.programmer.term(session, [])
        self.inform(f"102 INFO 0 SESSION {session.id}")

    def chatter(self, count):
        """What other people do on this layout."""
        other = self.locos.get(99)
        if other:
            other.speed, other.changed = 3 + count % 20, self.clock()
            self.inform(self.speed_line(other))
        self.inform(f"100 INFO 1 GA 12 0 {count % 2}")
        self.inform(f"100 INFO 1 FB 5 {count % 2}")
        self.inform(f"100 INFO 2 GL 4 1 {5 + count % 9} 28 1 0 0 0 0")
        self.inform(f"100 INFO 0 TIME 0 8 {count // 60 % 60} {count % 60}")

    # -- the track -----------------------------------------------------------------------------------------------

    def refresh(self):
        """Sends every remembered speed to the track, as a station does without end, and lets locks run out."""
        now = self.clock()
        for address in [a for a, lock in self.locks.items() if lock[2] is not None and lock[2] < now]:
            self.unlock(address)
        decoder = self.engine.decoder
        decoder.track = "service" if self.programmer.service else "run" if self.power else "off"
        for loco in self.locos.values():
            step = loco.packet_step(self.style == "bare")
            decoder.receive(loco.address, loco.version == 2, SPEEDS[loco.steps], step, loco.forward,
                            loco.drivemode == 2)

    # -- commands ------------------------------------------------------------------------------------------------

    async def obey(self, session, words):
        """The reply to one command; Refused where it is not done."""
        if not words or words[0] not in ("SET", "GET", "WAIT", "VERIFY", "RESET", "INIT", "TERM"):
            raise Refused(410)
        need(words, 3)
        bus = whole(words[1])
        if bus == 0:
            return self.obey_server(session, words)
        if bus != 1:
            raise Refused(412)
        if words[2] == "DESCRIPTION" and self.style == "bare":
            raise Refused(423)
        if words[2] not in GROUPS[self.style].split():
            raise Refused(422)
        action = self.actions[words[2]].get(words[0])
        if action is None:
            raise Refused(423)
        reply = action(session, words[3:])
        reply = await reply if asyncio.iscoroutine(reply) else reply
        self.refresh()
        return reply

    def obey_server(self, session, words):
        """Bus 0: the station itself."""
        match words:
            case ["GET", _, "SERVER"] if self.style != "bare":
                return "100 INFO 0 SERVER RUNNING"
            case ["GET", _, "DESCRIPTION"] if self.style != "bare":
                return "100 INFO 0 DESCRIPTION SESSION SERVER"
            case ["GET", _, "SESSION", number] if whole(number) in self.sessions:
                return f"100 INFO 0 SESSION {int(number)} {self.sessions[int(number)].mode}"
            case ["TERM", _, "SESSION", *number]:
                if number and whole(number[0]) != session.id:
                    raise Refused(415)
                return f"102 INFO 0 SESSION {session.id}" if self.style == "odd" else "200 OK"
            case ["TERM" | "RESET", _, "SERVER"]:
                raise Refused(415)
            case [_, _, "SESSION", *_]:
                raise Refused(412)
        raise Refused(422)

    def describe(self, _session, words):
        """The groups of the bus, or how one engine was initialised."""
        if not words:
            return f"100 INFO 1 DESCRIPTION {GROUPS[self.style]}"
        need(words, 2)
        if words[0] != "GL":
            raise Refused(422)
        line = self.init_line(self.known(whole(words[1])))
        return line.replace("101 INFO 1", "100 INFO 1 DESCRIPTION") if self.style == "odd" else line

    # -- GL ------------------------------------------------------------------------------------------------------

    def known(self, address):
        """The engine at an address; 416 where nothing is known of it."""
        if address not in self.locos:
            raise Refused(416)
        return self.locos[address]

    def init_line(self, loco):
        return f"101 INFO 1 GL {loco.address} N {loco.version} {loco.steps} {len(loco.functions)}"

    def speed_line(self, loco):
        """An engine's state: as it was sent, or (odd) in decoder steps and with a direction even when stopped hard."""
        mode, speed, top = loco.drivemode, loco.speed, loco.top
        if self.style == "odd":
            mode, speed, top = int(loco.forward), loco.packet_step(False), SPEEDS[loco.steps]
        return " ".join(["100 INFO 1 GL", f"{loco.address} {mode} {speed} {top}", *loco.functions])

    def init_gl(self, session, words):
        need(words, 2)
        address, protocol = whole(words[0]), words[1]
        self.check_lock(session, address)
        if protocol not in ("N", "P"):
            raise Refused(420)
        if protocol == "N" and self.style == "plain":
            need(words, 5, 5)
        version, steps, functions = [whole(w) for w in words[2:5]] + [1, 28, 5][len(words[2:5]):]
        if version not in (1, 2) or steps not in SPEEDS or not 0 <= functions <= 69:
            raise Refused(412)
        if not 1 <= address <= (127 if version == 1 else 10239):
            raise Refused(412)
        again = address in self.locos
        loco = Loco(address, version, steps, functions)
        if again:
            loco.forward = self.locos[address].forward
        loco.changed = self.clock()
        self.locos[address] = loco
        self.inform(self.init_line(loco))
        self.inform(self.speed_line(loco))
        if again and self.style == "odd":
            raise Refused(424)
        return "200 OK"

    def set_gl(self, session, words):
        need(words, 4)
        address, mode, speed, top = (whole(w) for w in words[:4])
        if self.programmer.service and self.style == "odd":
            raise Refused(413)
        self.check_lock(session, address)
        if address not in self.locos and self.style == "bare":
            self.init_gl(session, [words[0], "P"])
        loco = self.known(address)
        if mode not in (0, 1, 2) or top <= 0 or speed < 0 or (speed > top and self.style == "plain"):
            raise Refused(412)
        functions = words[4:]
        if any(f not in ("0", "1") for f in functions):
            raise Refused(412)
        if len(functions) > len(loco.functions):
            if self.style == "plain":
                raise Refused(418)
            functions = functions[:len(loco.functions)]
        loco.drivemode, loco.speed, loco.top = mode, 0 if mode == 2 else min(speed, top), top
        if mode != 2:
            loco.forward = mode == 1
        loco.functions[:len(functions)] = functions
        loco.changed = self.clock()
        self.inform(self.speed_line(loco))
        return "200 OK"

    def get_gl(self, _session, words):
        need(words, 1)
        return self.speed_line(self.known(whole(words[0])))

    def term_gl(self, session, words):
        """Takes the engine off the list; a last stop goes to the track."""
        need(words, 1)
        address = whole(words[0])
        self.check_lock(session, address)
        loco = self.known(address)
        loco.speed = 0
        self.refresh()
        del self.locos[address]
        self.inform(f"102 INFO 1 GL {address}")
        return "200 OK"

    # -- LOCK ----------------------------------------------------------------------------------------------------

    def check_lock(self, session, address):
        if address in self.locks and self.locks[address][0] != session.id:
            raise Refused(414)

    def unlock(self, address):
        del self.locks[address]
        self.inform(f"102 INFO 1 LOCK GL {address}")

    def set_lock(self, session, words):
        need(words, 3)
        if words[0] != "GL":
            raise Refused(422)
        address, duration = whole(words[1]), whole(words[2])
        if address not in self.locos or duration < 0 or (duration == 0 and self.style == "odd"):
            raise Refused(412)
        self.check_lock(session, address)
        self.locks[address] = (session.id, duration, self.clock() + duration if duration else None)
        self.inform(f"100 INFO 1 LOCK GL {address} {duration} {session.id}")
        return "200 OK"

    def get_lock(self, _session, words):
        need(words, 2)
        address = whole(words[1])
        holder, duration, _ = self.locks.get(address, (0, 0, None))
        return f"100 INFO 1 LOCK {words[0]} {address} {duration} {holder}"

    def term_lock(self, session, words):
        need(words, 2)
        address = whole(words[1])
        self.check_lock(session, address)
        if address in self.locks:
            self.unlock(address)
        return "200 OK"

    # -- POWER ---------------------------------------------------------------------------------------------------

    def power_line(self):
        off = not self.power or (self.programmer.service and self.style == "odd")
        text = "SERVICE MODE ON" if self.programmer.service and off else self.power_text
        return f"100 INFO 1 POWER {'OFF' if off else 'ON'} {text}".rstrip()

    def init_power(self, _session, _words):
        return "200 OK"

    def set_power(self, _session, words):
        need(words, 1)
        if words[0] not in ("ON", "OFF"):
            raise Refused(412)
        on = words[0] == "ON"
        if self.programmer.service and on and self.style == "odd":
            raise Refused(413)
        if self.programmer.service:
            self.programmer.end_service()
        changed, self.power = on != self.power, on
        self.power_text, self.power_changed = " ".join(words[1:]), self.clock()
        if changed or self.style == "odd":
            self.inform(self.power_line())
        return "200 OK"

    def get_power(self, _session, _words):
        return self.power_line()
