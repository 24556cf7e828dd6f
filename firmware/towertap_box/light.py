"""The board's light: shows the box's state by the processor's PWM block, at no cost to the loop."""

from machine import PWM, Pin

_FULL = 65535

# Frequency in Hz (an RP2's PWM makes nine or more) and duty cycle; hardware_notes/wiring.md explains the patterns.
IDLE = (1000, _FULL // 50)  # dim
LOSING = (10, _FULL // 2)  # flickers
FAULT = (1000, _FULL)  # bright
_ON, _OFF = FAULT, (1000, 0)


class Light:
    """The light on the pin that MicroPython calls LED; dark if there is none, or not on a PWM pin."""

    def __init__(self):
        try:
            self._pwm = PWM(Pin("LED"))
        except ValueError:
            self._pwm = None
        self._shown = None

    def show(self, pattern):
        """Show one of the patterns."""
        if self._pwm and pattern is not self._shown:
            self._shown = pattern
            self._pwm.freq(pattern[0])
            self._pwm.duty_u16(pattern[1])

    def beat(self, seconds):
        """Show that samples are recorded: a second on, a second off, if called every second."""
        self.show(_OFF if seconds & 1 else _ON)
