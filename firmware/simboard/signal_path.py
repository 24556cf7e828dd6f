"""From motion to counts: white noise, anti-alias filter, user-interface filter, decimation, scale, full scale.

Everything runs at the chip's internal rate of 32 kHz (data sheet DS-000347, section 5: the signal path before
decimation) in 64-bit integers, on a 64-bit MicroPython (the unix port) or CPython. Both give the same bytes.
"""

import math
from array import array

import micropython
from micropython import const

from .motion import LEAD, ROWS

INTERNAL_HZ = const(32000)
GRAVITY_UMS2 = const(9806650)  # standard gravity, µm/s²
_CLIP = const(0x10000000)  # the front end: ±27 g, ±15 000 °/s, so that products stay below 2^63

# Noise density, data sheet tables 1 and 2: 70 µg/√Hz and 2.8 mdps/√Hz.
ACCELEROMETER_NOISE = 70e-6 * GRAVITY_UMS2
GYROSCOPE_NOISE = 2.8e-3 * math.pi / 180 * 1e6
# The self-test's push for a factory code of 1, 1 % more for each further step: 2620 counts at ±2 g and at ±250 °/s (the
# maker's public drivers). The sheet does not give its sign, nor its size on a chip without a code: here as code 120.
ACCELEROMETER_TEST = 2620 / 32768 * 2 * GRAVITY_UMS2
GYROSCOPE_TEST = 2620 / 32768 * 250 * math.pi / 180 * 1e6
_BYTES_SIGMA = math.sqrt((65536 - 1) / 3)  # standard deviation of the sum of four random bytes

# One axis: an array of 64-bit integers.
_PHASE = const(0)  # position in the motion rows, 32 fractional bits
_STEP = const(1)  # motion rows per internal sample, 32 fractional bits
_RATIO = const(2)  # internal samples per output sample
_COLUMN = const(3)
_GAIN = const(4)  # noise is (sum of four random bytes − 510) × GAIN / 256, in µm/s² or µrad/s
_RANDOM = const(5)  # xorshift32 state, never 0
_AAF = const(6)  # anti-alias filter: a1, a2, a3, ic1, ic2; a3 = 0: no filter
_POLE = const(11)  # user filter, single pole: G, state; G = 0: no filter
_PAIR = const(13)  # user filter, pair of poles: same layout as the anti-alias filter
_SCALE = const(18)  # counts = (value × SCALE >> SHIFT) + OFFSET
_SHIFT = const(19)
_OFFSET = const(20)
_LAST = const(21)  # the last sample, counts
_PUSH = const(22)  # the self-test's push, in µm/s² or µrad/s
_WORDS = const(23)

_UNIT = const(0x2000000)  # filter coefficients have 25 fractional bits, signals 8


class SignalPath:
    """Six axes from one motion. Configure it, restart it, then make packets."""

    def __init__(self, motion, config):
        self._motion = motion
        self._noise = config["noise"]
        self._offset = config["offset_counts"]
        self._gain = [1 + error for error in config["scale_error"]]
        self._internal_hz = INTERNAL_HZ * (1 + config["oscillator_ppm"] * 1e-6)
        self._stuck = -1
        self._axes = [_new_axis(column, config["seed"]) for column in range(6)]
        self._push = [_self_test_push(column, code) for column, code in enumerate(config["self_test_codes"])]

    def configure(self, odr_hz, full_scale_ums2, accelerometer_filters, full_scale_urads, gyroscope_filters):
        """Set both sensors to one rate; filters are (anti-alias Hz, user filter Hz, its order), 0 Hz for none."""
        for column in range(6):
            axis = self._axes[column]
            if column < 3:
                anti_alias_hz, user_hz, order = accelerometer_filters
                density = ACCELEROMETER_NOISE
                _set_scale(axis, full_scale_ums2, self._gain[column])
                axis[_OFFSET] = self._offset[column]
            else:
                anti_alias_hz, user_hz, order = gyroscope_filters
                density = GYROSCOPE_NOISE
                _set_scale(axis, full_scale_urads, 1)
            axis[_RATIO] = INTERNAL_HZ // odr_hz
            axis[_STEP] = round(self._motion.rate_hz / self._internal_hz * (1 << 32))
            axis[_GAIN] = round(density * self._noise * math.sqrt(self._internal_hz / 2) / _BYTES_SIGMA * 256)
            _second_order(axis, _AAF, anti_alias_hz, math.sqrt(2))
            # Butterworth of order 1, 2 or 3: a pole, a pair of poles, or a pole and a pair less damped
            _first_order(axis, 0 if order == 2 else user_hz)
            _second_order(axis, _PAIR, 0 if order == 1 else user_hz, 1 if order == 3 else math.sqrt(2))
        if self._axes[0][_RATIO] * self._axes[0][_STEP] >> 32 > LEAD - 8:
            raise ValueError("simulated board: the motion has too many rows per sample; give it at 16 kHz")
        if self._stuck >= 0:
            self.stick(self._stuck)

    def stick(self, column):
        """Hold one column at its present count."""
        self._stuck = column
        self._axes[column][_SCALE] = 0
        self._axes[column][_OFFSET] = self._axes[column][_LAST]

    def excite(self, columns):
        """Let the self-test push only the columns whose bits are set."""
        for column in range(6):
            self._axes[column][_PUSH] = self._push[column] if columns >> column & 1 else 0

    def weaken(self, column, percent):
        """Reduce the self-test's push of a column to this percentage."""
        self._push[column] = self._push[column] * percent // 100

    def restart(self):
        """Restart the motion, with the filters settled on its first row."""
        row = self._motion.rewind()
        for axis in self._axes:
            _settle(axis, self._motion.rows[row * 6 + axis[_COLUMN]])
            axis[_PHASE] = row << 32

    def make(self, packets, first, n, big_endian):
        """Write the six columns of `n` samples into 16-byte packets, starting at packet `first`."""
        per_sample = self._axes[0][_RATIO] * self._axes[0][_STEP]
        while n:
            fit = (((ROWS + LEAD - 3) << 32) - self._axes[0][_PHASE]) // per_sample
            if fit <= 0:
                self._motion.advance()
                for axis in self._axes:
                    axis[_PHASE] -= ROWS << 32
                continue
            fit = min(fit, n)
            for axis in self._axes:
                _sample(axis, self._motion.rows, packets, first, fit, big_endian)
            first += fit
            n -= fit


def _self_test_push(column, code):
    """The self-test's push of a column, in µm/s² or µrad/s; y is pushed the other way."""
    strength = (GYROSCOPE_TEST if column > 2 else ACCELEROMETER_TEST) * 1.01 ** ((code or 120) - 1)
    return round(-strength if column % 3 == 1 else strength)


def _second_order(axis, at, bandwidth_hz, damping):
    """Put a low-pass into `axis` at _AAF or _PAIR; damping √2 is Butterworth, −3 dB at the bandwidth; 0 Hz: no filter.

    It is the trapezoidal state-variable filter, whose gain at 0 Hz is 1 whatever the rounding.
    """
    g = math.tan(math.pi * bandwidth_hz / INTERNAL_HZ)
    a1 = 1 / (1 + g * (g + damping))
    axis[at] = round(a1 * _UNIT)
    axis[at + 1] = round(g * a1 * _UNIT)
    axis[at + 2] = round(g * g * a1 * _UNIT)


def _first_order(axis, bandwidth_hz):
    """Put a first-order low-pass into `axis`; 0 Hz: no filter."""
    g = math.tan(math.pi * bandwidth_hz / INTERNAL_HZ)
    axis[_POLE] = round(g / (1 + g) * _UNIT)


def _set_scale(axis, full_scale, gain):
    """Scale `full_scale` (µm/s² or µrad/s) to 32768 counts, times `gain`."""
    counts = 32768 * gain / full_scale / 256
    axis[_SHIFT] = 44
    while counts * (1 << axis[_SHIFT]) > 1 << 25:  # keeps the product with a signal below 2^63
        axis[_SHIFT] -= 1
    axis[_SCALE] = round(counts * (1 << axis[_SHIFT]))


def _settle(axis, value):
    """Settle the filters on a constant `value` (µm/s² or µrad/s)."""
    axis[_AAF + 3] = axis[_PAIR + 3] = 0
    axis[_AAF + 4] = axis[_PAIR + 4] = axis[_POLE + 1] = max(-_CLIP, min(_CLIP, value)) << 8


def _new_axis(column, seed):
    """An axis with its own noise stream."""
    axis = array("l", [0] * _WORDS)  # long: 64 bits, and off the heap where "q" is not
    axis[_COLUMN] = column
    axis[_RANDOM] = (seed * 2654435761 + (column + 1) * 0x9E3779B9) & 0xFFFFFFFF or 1
    return axis


@micropython.viper
def _sample(axis, rows, packets, first: int, n: int, big_endian: int):
    """Make `n` output samples of one axis from the motion `rows` in 16-byte `packets`, starting at packet `first`.

    Between rows the motion is a cubic (Catmull-Rom) in time. Valid samples are −32767 to 32767; −32768 means invalid.
    """
    motion = ptr32(rows)
    out = ptr8(packets)
    phase = int(axis[0])
    step = int(axis[1])
    ratio = int(axis[2])
    column = int(axis[3])
    gain = int(axis[4])
    r = int(axis[5])
    a1 = int(axis[6])
    a2 = int(axis[7])
    a3 = int(axis[8])
    ic1 = int(axis[9])
    ic2 = int(axis[10])
    u1 = int(axis[11])
    u2 = int(axis[12])
    b1 = int(axis[13])
    b2 = int(axis[14])
    b3 = int(axis[15])
    jc1 = int(axis[16])
    jc2 = int(axis[17])
    scale = int(axis[18])
    shift = int(axis[19])
    half = (1 << shift) >> 1
    offset = int(axis[20])
    push = int(axis[22])
    at = first * 16 + 1 + column * 2
    row = 0
    x1 = 0
    c1 = 0
    c2 = 0
    c3 = 0
    x = 0
    v1 = 0
    v2 = 0
    v3 = 0
    i = 0
    for _ in range(n):
        for _step in range(ratio):
            if phase >> 32 != row:
                row = phase >> 32
                i = row * 6 + column
                x = (int(motion[i - 6]) ^ 0x80000000) - 0x80000000  # 32-bit loads come without sign
                x1 = (int(motion[i]) ^ 0x80000000) - 0x80000000
                v2 = (int(motion[i + 6]) ^ 0x80000000) - 0x80000000
                v3 = (int(motion[i + 12]) ^ 0x80000000) - 0x80000000
                c1 = v2 - x
                c2 = 2 * x - 5 * x1 + 4 * v2 - v3
                c3 = v3 - x + 3 * (x1 - v2)
            i = (phase >> 16) & 0xFFFF
            phase += step
            r ^= (r << 13) & 0xFFFFFFFF
            r ^= r >> 17
            r ^= (r << 5) & 0xFFFFFFFF
            x = x1 + ((((((c3 * i) >> 16) + c2) * i >> 16) + c1) * i >> 17)
            x += ((((r & 255) + ((r >> 8) & 255) + ((r >> 16) & 255) + (r >> 24) - 510) * gain) >> 8) + push
            if x > _CLIP:
                x = int(_CLIP)
            elif x < -_CLIP:
                x = 0 - int(_CLIP)
            x <<= 8
            if a3:
                v3 = x - ic2
                v1 = (a1 * ic1 + a2 * v3) >> 25
                x = ic2 + ((a2 * ic1 + a3 * v3) >> 25)
                ic1 = 2 * v1 - ic1
                ic2 = 2 * x - ic2
            if u1:
                v1 = ((x - u2) * u1) >> 25
                x = u2 + v1
                u2 = x + v1
            if b3:
                v3 = x - jc2
                v1 = (b1 * jc1 + b2 * v3) >> 25
                x = jc2 + ((b2 * jc1 + b3 * v3) >> 25)
                jc1 = 2 * v1 - jc1
                jc2 = 2 * x - jc2
        x = ((x * scale + half) >> shift) + offset
        if x > 32767:
            x = 32767
        elif x < -32767:
            x = -32767
        out[at + 1 - big_endian] = x >> 8
        out[at + big_endian] = x
        at += 16
    axis[0] = phase
    axis[5] = r
    axis[9] = ic1
    axis[10] = ic2
    axis[12] = u2
    axis[16] = jc1
    axis[17] = jc2
    axis[21] = x


@micropython.viper
def frame_packets(packets, first: int, n: int, header: int, temperature: int, stamp: int, step: int, big_endian: int):
    """Put header, temperature and time stamp into `n` packets (structure 3, section 6.1).

    `stamp` has 6 fractional bits; `step` is its increment per packet.
    """
    out = ptr8(packets)
    at = first * 16
    for _ in range(n):
        out[at] = header
        out[at + 13] = temperature
        out[at + 15 - big_endian] = stamp >> 14
        out[at + 14 + big_endian] = stamp >> 6
        stamp += step
        at += 16


@micropython.viper
def invalidate(packets, first: int, n: int, column: int, big_endian: int):
    """Write "no valid sample" (−32768) into three columns, starting at `column`."""
    out = ptr8(packets)
    at = first * 16 + 1 + column * 2
    for _ in range(n):
        for k in range(3):
            out[at + 2 * k + 1 - big_endian] = 0x80
            out[at + 2 * k + big_endian] = 0
        at += 16
