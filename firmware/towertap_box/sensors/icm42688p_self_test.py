"""The ICM-42688-P's self-test: the chip pushes each axis, and the response is compared with the factory's code.

Procedure, equation and limits are those of the maker's public drivers for this family; the registers are in sections 14
to 16 of the data sheet. The box must lie still for about two seconds, in any position.
"""

from time import sleep_ms

from micropython import const

from ..fault import Fault

_SELF_TEST_CONFIG = const(0x70)
_SIGNAL_PATH_RESET = const(0x4B)
_XG_ST_DATA = const(0x5F)  # bank 1; those of y and z follow
_XA_ST_DATA = const(0x3B)  # bank 2; those of y and z follow

_PUSH_GYROSCOPE = const(0x07)
_PUSH_ACCELEROMETER = const(0x78)  # its three axes and its power
_FIFO_FLUSH = const(0x02)

_ODR_HZ = const(1000)
_ACCEL_RANGE_G = const(4)
_GYRO_RANGE_DPS = const(250)
_ACCEL_RANGE = const(0x40)  # their codes in ACCEL_CONFIG0 and GYRO_CONFIG0
_GYRO_RANGE = const(0x60)
_TENTH_OF_RATE = const(0x44)  # GYRO_ACCEL_CONFIG0: both filters
_SETTLE_MS = const(200)  # the gyroscope's oscillation; the accelerometer needs 25
_FRAMES = const(7)  # a watermark each: 224 samples; the maker takes 200
_PATIENCE_MS = const(100)

# Per sensor: name, unit, counts per unit as sampled here, and those of the factory code (±2 g, ±250 °/s); the
# response's limits if there is no code; the largest reading at rest (for gravity our own), and its largest change
# meanwhile in a still box (our own).
_SENSORS = (
    ("acceleration", "g", 32768 / _ACCEL_RANGE_G, 32768 / 2, 0.05, 1.2, 1.2, 0.02),
    ("rotation", "dps", 32768 / _GYRO_RANGE_DPS, 32768 / 250, 60, 250, 20, 2),
)
_RATIO = (0.5, 1.5)  # of response to factory's


def self_test(chip):
    """Let `chip` test itself, and leave it asleep; return the content of the wire format's self_test frame.

    Raises Fault if the chip does not respond properly.
    """
    chip.begin(_ODR_HZ, _GYRO_RANGE, _ACCEL_RANGE, _TENTH_OF_RATE)
    before = _mean(chip, 0)
    turned = _mean(chip, _PUSH_GYROSCOPE)
    pushed = _mean(chip, _PUSH_ACCELEROMETER)
    after = _mean(chip, 0)
    temperature = chip.temperature()
    codes = chip.peek(2, _XA_ST_DATA) + chip.peek(1, _XG_ST_DATA)
    chip.stop()
    axes = [
        _judge(column, before[column], (turned if column > 2 else pushed)[column], after[column], codes[column])
        for column in range(6)
    ]
    still = all([axis.pop("still") for axis in axes])
    return {
        "chip": chip.NAME,
        "odr_hz": _ODR_HZ,
        "accel_range_g": _ACCEL_RANGE_G,
        "gyro_range_dps": _GYRO_RANGE_DPS,
        "samples": _FRAMES * chip.WATERMARK,
        "temperature_c": (temperature - (temperature >> 15 << 16)) / 132.48 + 25,
        "axes": axes,
        "still": still,
        "ok": still and all([axis["ok"] for axis in axes]),
    }


def _mean(chip, push):
    """Return the mean counts of the six axes while the axes in `push` are pushed."""
    chip.set_up(0, (_SELF_TEST_CONFIG, push))
    sleep_ms(_SETTLE_MS)
    chip.write(_SIGNAL_PATH_RESET, _FIFO_FLUSH)
    packets = bytearray(chip.WATERMARK * chip.PACKET)
    sums = [0] * 6
    for _ in range(_FRAMES):
        _fill(chip, packets)
        for at in range(0, len(packets), chip.PACKET):
            for column in range(6):
                high = packets[at + 2 * column + 1]
                sums[column] += (high << 8 | packets[at + 2 * column + 2]) - (high >> 7 << 16)
    return [total / (_FRAMES * chip.WATERMARK) for total in sums]


def _fill(chip, packets):
    for _ in range(_PATIENCE_MS):
        level = chip.drain(packets)
        if level >= chip.WATERMARK:
            return
        if level < 0:
            raise Fault("bus_error", "what came from the FIFO is no packet")
        sleep_ms(1)
    raise Fault("bus_error", "no samples come for the self-test")


def _judge(column, before, pushed, after, code):
    """Judge one axis from its mean counts and its factory code (0: none)."""
    name, unit, counts, code_counts, low, high, most_at_rest, most_change = _SENSORS[column // 3]
    response = abs(pushed - before) / counts
    factory = ratio = None
    good = low < response < high
    if code:
        factory = 2620 * 1.01 ** (code - 1) / code_counts
        ratio = response / factory
        good = _RATIO[0] < ratio < _RATIO[1]
    return {
        "axis": name + "_" + "xyz"[column % 3],
        "unit": unit,
        "at_rest": before / counts,
        "response": response,
        "factory": factory,
        "ratio": ratio,
        "ok": good and abs(before / counts) < most_at_rest,
        "still": abs(after - before) / counts < most_change,
    }
