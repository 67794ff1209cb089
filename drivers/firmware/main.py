# MicroPython has no typing module to name types with.
# mypy: ignore-errors
"""Start of the sensor board: which pin is what. For boards of the RP2040 kind with MicroPython.

| pin | what |
| --- | --- |
| GP26 (ADC0) | wiper of the angle potentiometer, between 3V3 and AGND |
| GP27 (ADC1) | level, 0 to 3.3 V |
| GP28 (ADC2) | wiper of the dial potentiometer, if HAS_DIAL |
| GP15 | mark switch to ground |

Hold the mark switch while plugging in to keep the board from starting, so that its files can be changed.
"""

import time

import machine
import micropython
import wire
from board import Board

HAS_DIAL = False
RATE = 100


def run():
    """Work until the power goes."""
    switch = machine.Pin(15, machine.Pin.IN, machine.Pin.PULL_UP)
    if not switch.value():
        return
    pins = [26, 27, 28] if HAS_DIAL else [26, 27]
    channels = [machine.ADC(machine.Pin(pin)).read_u16 for pin in pins]
    # A stray Ctrl-C on the line must not stop the board.
    micropython.kbd_intr(-1)
    board = Board(channels, lambda: not switch.value(), wire.hear, wire.say, time, RATE)
    while True:
        board.step()


run()
