"""A locomotive as a stranger to Pacewright would model it: decoder, motor, and the field beside its axle.

Written from the published facts alone (standards/dcc.md sections 2-5: NMRA S-9.2.1 and S-9.2.2, 2012; RailCommunity
RCN-225, 2025; standards/measurement.md 1.1). Where the standards leave a point open, the two kinds of engine take
different readings, so that a client which relies on one of them is found out.

The curves are polynomials of this file's own; no physics is solved. Ranges of dead zone, direction difference and
scatter lie within standards/measurement.md section 10.
"""

import math
import random

STEP_S = 0.005
"""Time of one motion step, and between two field samples (200 Hz)."""

WHEEL_DIAMETER_MM = 11.5
TURN = 2.0 * math.pi
LAG_S = 0.3
SCATTER = 0.003
RIPPLE = 0.01


class Kind:
    """What differs from one engine to the next. Drives are in counts of 255, speeds in mm/s."""

    def __init__(self, top, bend, dead, start, cold, reverse_gain, reverse_dead, fine, trims_always, spread, cvs):
        self.top = top                    # speed at full drive, forward, warm
        self.bend = bend                  # above 0: rises steeply first; below 0: flat first
        self.dead = dead                  # drive below which a warm engine stands
        self.start = start                # times `dead`: what it takes to break away
        self.cold = cold                  # share by which the dead zone is larger before running in
        self.reverse_gain = reverse_gain
        self.reverse_dead = reverse_dead
        self.fine = fine                  # parts of a count that the motor stage resolves; 0: all
        self.trims_always = trims_always  # RCN-225: a general factor. NMRA: only with the table.
        self.spread = spread              # where 126 steps meet the 28 entries: "ends" or "4.5"
        self.cvs = cvs


KINDS = {
    "smooth": Kind(430.0, 0.20, 9.0, 1.0, 0.03, 0.985, 0.2, 0, True, "ends", {2: 3, 3: 6, 4: 4, 5: 210, 6: 90}),
    "stiff": Kind(450.0, -0.25, 38.0, 1.08, 0.12, 1.012, 0.3, 4, False, "4.5", {2: 36, 3: 12, 4: 9, 5: 0, 6: 0}),
}


class Decoder:
    """CV memory and what a decoder makes of speed packets and programming."""

    def __init__(self, kind, address):
        self.kind = kind
        long_form = address > 127
        plain = {7: 17, 8: 13, 11: 0, 19: 0, 23: 0, 24: 0, 66: 0, 95: 0, 17: 192, 18: 100, 1: 3}
        plain[29] = 34 if long_form else 2
        if long_form:
            plain[17], plain[18] = 192 + address // 256, address % 256
        else:
            plain[1] = address
        for entry in range(28):
            plain[67 + entry] = 9 * (entry + 1)
        self.cvs = plain | kind.cvs
        self.track = "off"     # off, run (packets flow) or service (programming track)
        self.steps = 28        # moving steps of the last speed packet
        self.wanted = 0.0      # signed step asked for
        self.level = 0.0       # signed step reached, which momentum delays

    # -- programming ---------------------------------------------------------------------------------------------

    def read(self, cv):
        """The value of a CV, or None where nothing acknowledges."""
        return self.cvs.get(cv)

    def write(self, cv, value):
        """Stores a value as far as this decoder has the CV; False where nothing acknowledges."""
        if cv not in self.cvs or cv in (7, 8) or not 0 <= value <= 255:
            return False
        if cv == 29:
            value &= 0b110111  # no bi-directional answers here: that bit is refused (S-9.2.2, CV 29)
        if cv == 1:
            if not 1 <= value <= 127:
                return False
            self.cvs[29] &= ~32   # S-9.2.3: writing the short address drops the long one and any consist
            self.cvs[19] = 0
        self.cvs[cv] = value
        return True

    # -- packets -------------------------------------------------------------------------------------------------

    def answers_to(self, address, long_form):
        """Whether a packet for this address is for us (CV 29 bit 5 chooses between CV 1 and CV 17/18)."""
        if self.cvs[29] & 32:
            return long_form and address == (self.cvs[17] - 192) * 256 + self.cvs[18]
        return not long_form and address == self.cvs[1]

    def receive(self, address, long_form, steps, step, forward, emergency):
        """One speed packet off the track. In a consist the own address is deaf (S-9.2.1)."""
        if self.track != "run" or not self.answers_to(address, long_form) or self.cvs[19] & 127:
            return
        if steps == 28 and not self.cvs[29] & 2:
            steps, step = 14, (step + 3) // 2 - 1 if step else 0  # the fifth bit is taken for the light
        if steps != self.steps:
            self.level *= steps / self.steps
            self.steps = steps
        self.wanted = float(step if forward != bool(self.cvs[29] & 1) else -step)
        if emergency:
            self.wanted = self.level = 0.0

    def ramp(self, seconds):
        """Lets the level follow what is wanted: 0.896 s a unit from stop to full (S-9.2.2, CV 3, 4, 23, 24)."""
        if self.track != "run":
            self.wanted = self.level = 0.0
        if self.level == self.wanted:
            return
        braking = abs(self.wanted) < abs(self.level) or self.wanted * self.level < 0.0
        adjust = self.cvs[24 if braking else 23]
        adjust = -(adjust & 127) if adjust & 128 else adjust
        rate = min(255, max(0, self.cvs[4 if braking else 3] + adjust))
        reach = self.steps * seconds / (0.896 * rate) if rate else math.inf
        goal = 0.0 if self.wanted * self.level < 0.0 else self.wanted
        gap = goal - self.level
        self.level = goal if abs(gap) <= reach else self.level + math.copysign(reach, gap)

    # -- from step to drive --------------------------------------------------------------------------------------

    def drive(self, level, steps):
        """Signed drive in counts of 255 for a signed, possibly broken step."""
        size = abs(level)
        if size == 0.0:
            return 0.0
        table = self.cvs[29] & 16
        counts = self.from_table(size, steps) if table else self.from_three(size, steps)
        trim = self.cvs[66 if level > 0.0 else 95]
        if trim and (table or self.kind.trims_always):
            counts *= trim / 128.0
        counts = min(counts, 255.0)
        if self.kind.fine:
            counts = math.floor(counts * self.kind.fine) / self.kind.fine
        return math.copysign(counts, level)

    def from_three(self, size, steps):
        """Straight lines through CV 2 (step 1), CV 6 (half) and CV 5 (top); 0 and 1 mean unused for 5 and 6."""
        low, high = self.cvs[2], self.cvs[5] if self.cvs[5] > 1 else 255
        if size <= 1.0:
            return low * size
        if self.cvs[6] <= 1:
            return low + (high - low) * (size - 1.0) / (steps - 1.0)
        half = steps / 2.0
        if size <= half:
            return low + (self.cvs[6] - low) * (size - 1.0) / (half - 1.0)
        return self.cvs[6] + (high - self.cvs[6]) * (size - half) / (steps - half)

    def from_table(self, size, steps):
        """The 28 entries, straight between them; step 1 of 28 is entry 1."""
        if steps == 126:
            place = 1.0 + (size - 1.0) * 27.0 / 125.0 if self.kind.spread == "ends" else size / 4.5
        else:
            place = size * 28.0 / steps
        if place <= 1.0:
            return self.cvs[67] * max(place, 0.0)
        entry = min(int(place), 27)
        low, high = self.cvs[66 + entry], self.cvs[67 + entry]
        return low + (high - low) * (place - entry)


class Engine:
    """Motor, gears and wheels on a roller: speed follows drive with a lag, and no two turns are quite alike."""

    def __init__(self, kind, address, rng):
        self.kind = KINDS[kind]
        self.decoder = Decoder(self.kind, address)
        self.rng = rng
        self.speed = 0.0      # mm/s, forward positive
        self.angle = 0.0      # of the axle, rad
        self.coldness = 1.0
        self.turn = 0
        self.luck = 1.0
        self.follow = 1.0 - math.exp(-STEP_S / LAG_S)

    def steady(self, drive, coldness):
        """The mean speed at which the engine settles, if it moves already."""
        kind, back = self.kind, drive < 0.0
        dead = kind.dead * (1.0 + kind.cold * coldness) + (kind.reverse_dead if back else 0.0)
        share = (abs(drive) - dead) / (255.0 - dead)
        if share <= 0.0:
            return 0.0
        size = kind.top * share * (1.0 + kind.bend * (1.0 - share))
        return -size * kind.reverse_gain if back else size

    def truth(self, step, steps, forward):
        """The steady speed of the engine, run in, at a step with the CVs as they are now: mm/s, always positive."""
        flip = bool(self.decoder.cvs[29] & 1)
        signed = float(step if forward != flip else -step)
        return abs(self.steady(self.decoder.drive(signed, steps), 0.0)) * math.sqrt(1.0 - RIPPLE * RIPPLE)

    def stands(self):
        """Whether the wheels are at rest."""
        return self.speed == 0.0

    def advance(self):
        """One step of time."""
        self.decoder.ramp(STEP_S)
        drive = self.decoder.drive(self.decoder.level, self.decoder.steps)
        goal = self.steady(drive, self.coldness) if drive else 0.0
        if self.speed == 0.0 and abs(drive) < self.kind.dead * self.kind.start:
            goal = 0.0
        if goal or self.speed:
            self.move(goal)
            self.coldness -= self.coldness * STEP_S / 60.0
        else:
            self.coldness += (1.0 - self.coldness) * STEP_S / 900.0

    def move(self, goal):
        """Turns the axle, with ripple within a turn and a fresh scatter each turn."""
        self.speed += (goal - self.speed) * self.follow
        if goal == 0.0 and abs(self.speed) < 0.5:
            self.speed = 0.0
            return
        now = self.speed * self.luck * (1.0 + RIPPLE * math.sin(self.angle))
        self.angle += now * STEP_S * 2.0 / WHEEL_DIAMETER_MM
        turn = math.floor(self.angle / TURN)
        if turn != self.turn:
            self.turn = turn
            self.luck = 1.0 + self.rng.gauss(0.0, SCATTER)


class Field:
    """What a three-axis sensor beside the axle writes: a tilted ellipse off centre, on a clock of its own."""

    CLOCK = 1.0 + 150e-6

    def __init__(self, style, seed):
        rng = random.Random(seed * 7919 + 17)
        self.rng = rng
        tilt, turn = rng.uniform(0.15, 0.5), rng.uniform(0.0, TURN)
        size, hand = rng.uniform(18.0, 55.0), rng.choice((-1.0, 1.0))
        gains = (rng.uniform(0.9, 1.1), rng.uniform(0.75, 0.95), rng.uniform(1.0, 1.2))
        first = (math.cos(turn), math.sin(turn), 0.0)
        second = (-math.sin(turn) * math.cos(tilt), math.cos(turn) * math.cos(tilt), math.sin(tilt))
        self.cosine = [size * g * u for g, u in zip(gains, first)]
        self.sine = [hand * size * g * w for g, w in zip(gains, second)]
        self.middle = [size * rng.uniform(-0.4, 0.4) for _ in range(3)]
        self.noise = 0.01 * size
        self.origin_us = 2**32 - 30_000_000  # half a minute before the counter wraps
        self.odd = style == "odd"
        self.header = "bz,temp_c,bx,t_us,by\n" if self.odd else "t_us,bx,by,bz\n"

    def line(self, seconds, angle):
        """One sample as a line."""
        c, s, gauss, noise = math.cos(angle), math.sin(angle), self.rng.gauss, self.noise
        ax, bx, mx = self.cosine[0], self.sine[0], self.middle[0]
        x = mx + ax * c + bx * s + gauss(0.0, noise)
        y = self.middle[1] + self.cosine[1] * c + self.sine[1] * s + gauss(0.0, noise)
        z = self.middle[2] + self.cosine[2] * c + self.sine[2] * s + gauss(0.0, noise)
        stamp = (self.origin_us + int(seconds * 1e6 * self.CLOCK)) & 0xFFFFFFFF
        if self.odd:
            return f"{z:.3f},24.5,{x:.3f},{stamp},{y:.3f}\n"
        return f"{stamp},{x:.3f},{y:.3f},{z:.3f}\n"
