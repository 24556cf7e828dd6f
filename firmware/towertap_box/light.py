"""The board's light: what the box is doing, made by the processor's PWM block, so that it costs the loop nothing."""

from machine import PWM, Pin

_FULL = 65535

# Times a second (an RP2's PWM makes nine or more) and for how much of the time it shines. hardware_notes/wiring.md
# explains the patterns.
IDLE = (1000, _FULL // 50)  # dim
LOSING = (10, _FULL // 2)  # flickers
FAULT = (1000, _FULL)  # bright
_ON, _OFF = FAULT, (1000, 0)


class Light:
    """The light on the pin that MicroPython calls LED; a board without one, or with one on no PWM pin, stays dark."""

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
        """Show that samples are recorded: a second on, a second off, as long as somebody calls this every second."""
        self.show(_OFF if seconds & 1 else _ON)
