# MicroPython has no typing module to name types with.
# mypy: ignore-errors
"""The sensor board's work: sample, number, seal, send; answer questions. Runs under MicroPython; knows no pins.

Frames are those of `drivers/frames.py`. A sequence number counts sampling slots, also those that could not be kept, so
that the other end notices. Every channel is read as often as there is time between two frames, and the mean is sent:
the converter's own noise makes the mean finer than its steps.
"""

VERSION = "1.0"
FULL_SCALE = 65535
LEAST_RATE = 1
MOST_RATE = 200
DEBOUNCE_MS = 20
LONGEST_COMMAND = 24


def seal(body):
    """A line with its checksum: the exclusive or of all characters between `$` and `*`."""
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}\r\n"


def is_number(text):
    """Whether text is digits only."""
    return all("0" <= one <= "9" for one in text)


class Switch:
    """A mark switch that has to rest for a while before it counts."""

    def __init__(self, read):
        self._read = read
        self._since = None
        self.closed = bool(read())

    def look(self, now_ms, ticks_diff):
        """Look at it once; call often."""
        if bool(self._read()) == self.closed:
            self._since = None
        elif self._since is None:
            self._since = now_ms
        elif ticks_diff(now_ms, self._since) >= DEBOUNCE_MS:
            self.closed = not self.closed
            self._since = None


class Board:
    """One board.

    Parameters
    ----------
    channels : list of functions that read a converter, 0 to 65535: angle, level, and the dial if there is one.
    switch : function that reads the mark switch.
    hear : function that returns the bytes that have come in, or nothing.
    say : function that sends text.
    clock : an object with ticks_ms, ticks_us, ticks_add and ticks_diff, such as the module `time`.
    """

    def __init__(self, channels, switch, hear, say, clock, rate=100):
        self._channels = channels
        self._sums = [0] * len(channels)
        self._taken = 0
        self._hear = hear
        self._say = say
        self._clock = clock
        self._switch = Switch(switch)
        self._command = ""
        self._sequence = -1
        self._set_rate(rate)
        self.introduce()

    def introduce(self):
        """Say what this is."""
        fields = 4 if len(self._channels) > 2 else 3
        self._say(seal(f"I,regenbench-sensor,{VERSION},{self.rate},{FULL_SCALE},{fields}"))

    def step(self):
        """One turn of the loop: listen, look at the switch, read every channel once, send a frame if it is due."""
        heard = self._hear()
        if heard:
            self._take(heard)
        clock = self._clock
        self._switch.look(clock.ticks_ms(), clock.ticks_diff)
        sums = self._sums
        for at, read in enumerate(self._channels):
            sums[at] += read()
        self._taken += 1
        late_us = clock.ticks_diff(clock.ticks_us(), self._due_us)
        if late_us >= 0:
            self._send(1 + late_us // self._period_us)

    def _set_rate(self, rate):
        self.rate = rate
        self._period_us = 1000000 // rate
        self._due_us = self._clock.ticks_add(self._clock.ticks_us(), self._period_us)

    def _send(self, slots):
        clock = self._clock
        self._sequence = (self._sequence + slots) % 65536
        self._due_us = clock.ticks_add(self._due_us, slots * self._period_us)
        values = [(total + self._taken // 2) // self._taken for total in self._sums]
        mark = 1 if self._switch.closed else 0
        body = f"S,{self._sequence:05d},{clock.ticks_ms():010d},{values[0]:05d},{values[1]:05d},{mark}"
        if len(values) > 2:
            body += f",{values[2]:05d}"
        for at in range(len(self._sums)):
            self._sums[at] = 0
        self._taken = 0
        self._say(seal(body))

    def _take(self, heard):
        """Gather a command; what is too long or not text is thrown away up to the next line end."""
        for byte in heard:
            if byte in (10, 13):
                # None: something in this line was not for us.
                command, self._command = self._command, ""
                if command:
                    self._obey(command)
            elif self._command is not None:
                if 32 <= byte < 127 and len(self._command) < LONGEST_COMMAND:
                    self._command += chr(byte)
                else:
                    self._command = None

    def _obey(self, command):
        words = command.split()
        if words[:1] == ["?"]:
            self.introduce()
            if len(words) == 2 and len(words[1]) == 5 and is_number(words[1]):
                self._say(seal(f"T,{words[1]}"))
        elif len(words) == 2 and words[0] == "rate" and is_number(words[1]):
            rate = int(words[1])
            if LEAST_RATE <= rate <= MOST_RATE:
                self._set_rate(rate)
            self.introduce()
