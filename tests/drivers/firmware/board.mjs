// Runs the board's firmware in MicroPython: pins and converters are played, its serial port is an inherited descriptor.
import fs from "node:fs";
import path from "node:path";
import { pathToFileURL } from "node:url";

const [modules, firmware, wire, scene] = process.argv.slice(2);
const { loadMicroPython } = await import(
  pathToFileURL(path.join(modules, "@micropython/micropython-webassembly-pyscript/micropython.mjs")).href
);
const fd = Number(wire);
const scenery = JSON.parse(scene);
const one = Buffer.alloc(1);

const world = {
  hear() {
    try {
      return fs.readSync(fd, one, 0, 1, null) === 1 ? one[0] : -1;
    } catch (problem) {
      if (problem.code === "EAGAIN") return -1;
      // The far end is gone: the power of a board goes with its cable.
      process.exit(0);
    }
  },
  say(text) {
    let rest = Buffer.from(text, "latin1");
    while (rest.length) {
      try {
        rest = rest.subarray(fs.writeSync(fd, rest));
      } catch (problem) {
        if (problem.code !== "EAGAIN") process.exit(0);
      }
    }
  },
};

const mp = await loadMicroPython({ heapsize: 192 * 1024, stdout: (line) => console.error(line) });
mp.registerJsModule("world", world);
for (const name of ["board.py", "main.py"]) {
  mp.FS.writeFile("/" + name, fs.readFileSync(path.join(firmware, name)));
}
// What a board has and this interpreter has not. Converter and switch are formulas of the board's own clock.
mp.FS.writeFile(
  "/machine.py",
  `
import time
class Pin:
    IN = 0
    PULL_UP = 1
    def __init__(self, number, mode=None, pull=None):
        self.number = number
    def value(self):
        now = time.ticks_ms()
        for start, end in ${JSON.stringify(scenery.pressed)}:
            if start <= now < end:
                # It chatters for a while when it closes.
                return 1 if now < start + ${scenery.chatter} and now % 2 else 0
        return 1
class ADC:
    def __init__(self, pin):
        self.number = pin.number
    def read_u16(self):
        now = time.ticks_ms()
        if self.number == 26:
            return (now * 8) % 65536
        if self.number == 27:
            return 40000 if (now // 500) % 2 else 20000
        return 65535 - (now * 2) % 65536
`,
);
mp.FS.writeFile(
  "/wire.py",
  `
import world
def hear():
    byte = world.hear()
    return bytes([byte]) if byte >= 0 else None
def say(text):
    world.say(text)
`,
);
mp.runPython(`
import sys
import micropython
# A browser's interpreter has no keyboard interrupt to switch off.
if not hasattr(micropython, "kbd_intr"):
    class Stub:
        def __getattr__(self, name):
            return getattr(micropython, name)
        def kbd_intr(self, character):
            pass
    sys.modules["micropython"] = Stub()
import time
class Clock:
    # The board stands still with the machine that plays it, so its clock does too: no step is longer than this.
    MOST_US = 2000
    ticks_add = staticmethod(time.ticks_add)
    ticks_diff = staticmethod(time.ticks_diff)
    def __init__(self):
        self._last, self._us = time.ticks_us(), 0
    def ticks_us(self):
        now = time.ticks_us()
        self._us += min(time.ticks_diff(now, self._last), self.MOST_US)
        self._last = now
        return self._us
    def ticks_ms(self):
        return self.ticks_us() // 1000
sys.modules["time"] = Clock()
sys.path.insert(0, "/")
${scenery.dial ? "source = open('/main.py').read().replace('HAS_DIAL = False', 'HAS_DIAL = True')\nopen('/main.py', 'w').write(source)" : ""}
import main
`);
