"""MicroPython's `machine`, as far as the firmware uses it, on the simulated board."""

from .board import INTERRUPT_PIN, PWRON_RESET, SELECT_PIN, WDT_RESET, Reset  # noqa: F401  the causes are part of machine

_FASTEST_HZ = 24000000  # the chip's SPI (data sheet DS-000347, SPI timing)
_BLOCK_HZ = 48000000  # clock of the SPI blocks in MicroPython's rp2 port

board = None  # set by modules.install


class Pin:
    """A pin, by number or name; only the chip's select and its interrupt are wired."""

    IN = 0
    OUT = 1
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, number, mode=-1, pull=None, value=None):
        self._number = number
        self._value = 1 if pull == Pin.PULL_UP else 0
        self._handler = None
        if value is not None:
            self._value = value

    def __call__(self, level=None):
        return self.value(level)

    def value(self, level=None):
        """Read the pin, or set it."""
        if level is None:
            if self._number == INTERRUPT_PIN:
                return int(board.chip.asserted == bool(board.chip.active_high()))
            return self._value
        if self._number == SELECT_PIN and level != self._value:
            board.call()
            if level:
                board.chip.deselect()
            else:
                board.chip.select(board.now_ps)
        self._value = level
        return None

    def on(self):
        """Set the pin high."""
        self.value(1)

    def off(self):
        """Set the pin low."""
        self.value(0)

    def irq(self, handler=None, trigger=IRQ_FALLING | IRQ_RISING, hard=False):
        """Call `handler(pin)` at the edge in `trigger` when INT1 becomes active; always at once, as if `hard`."""
        if self._number == INTERRUPT_PIN:
            self._handler = handler
            self._trigger = trigger
            board.chip.on_edge = self._edge if handler else None

    def _edge(self, chip):
        if self._trigger & (Pin.IRQ_RISING if chip.active_high() else Pin.IRQ_FALLING):
            board.event = True
            self._handler(self)


class SPI:
    """The chip's bus."""

    MSB = 0

    def __init__(
        self, block, baudrate=1000000, polarity=0, phase=0, bits=8, firstbit=MSB, sck=None, mosi=None, miso=None
    ):
        if baudrate > _FASTEST_HZ or polarity != phase or bits != 8 or firstbit != SPI.MSB:
            raise ValueError("simulated SPI: the chip takes 8 bits, MSB first, modes 0 and 3, at most 24 MHz")
        self._byte_ps = 8 * 1000000000000 // actual_hz(baudrate)

    def write(self, buf):
        """Send."""
        self._clock(buf, 0, None, len(buf))

    def readinto(self, buf, write=0):
        """Receive, sending `write` meanwhile."""
        self._clock(None, write, buf, len(buf))

    def write_readinto(self, write_buf, read_buf):
        """Send and receive at once."""
        if len(write_buf) != len(read_buf):
            raise ValueError("buffers must be the same length")
        self._clock(write_buf, 0, read_buf, len(write_buf))

    def _clock(self, out, fill, into, n):
        board.chip.exchange(out, fill, into, n)
        board.call(n * self._byte_ps // 1000)


def actual_hz(baudrate):
    """Return the rate that an RP2's SPI block gives: half its clock over a whole number (data sheet, section 4.4)."""
    return _BLOCK_HZ // 2 // -(-_BLOCK_HZ // 2 // baudrate)


class PWM:
    """A pin driven by the PWM block; sets the board's `light`, (Hz, duty of 65535)."""

    def __init__(self, pin):
        board.light = (0, 0)

    def freq(self, hz):
        """Set the frequency."""
        board.call()
        board.light = (hz, board.light[1])

    def duty_u16(self, share):
        """Set the duty cycle, of 65535."""
        board.call()
        board.light = (board.light[0], share)


class WDT:
    """The watchdog: resets the board unless fed every `timeout` milliseconds."""

    def __init__(self, id=0, timeout=5000):
        self._timeout_ps = timeout * 1000000000
        self.feed()

    def feed(self):
        """Postpone the reset."""
        board.call()
        board.watchdog_ps = board.now_ps + self._timeout_ps


def idle():
    """Wait for the next event."""
    board.idle()


def reset():
    """Restart by the watchdog, as the rp2 port does, so the cause is the watchdog's."""
    raise Reset(WDT_RESET)


def reset_cause():
    """The cause of the last start."""
    return board.reset_cause


def unique_id():
    """The processor's identity."""
    return bytes.fromhex(board.config["serial"])


def freq():
    """The processor's clock in Hz."""
    return 125000000
