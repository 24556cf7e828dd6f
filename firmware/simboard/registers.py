"""The ICM-42688-P's register map: names, reset values and which registers can be written.

Source: TDK InvenSense data sheet DS-000347 revision 1.6, as public headers and drivers give it: section 13 (register
maps) and 14 onwards (one section per bank). Of the factory's trim values, only the self-test codes are modelled.
"""

from micropython import const

# Bank 0 (section 14)
DEVICE_CONFIG = const(0x11)
INT_CONFIG = const(0x14)
FIFO_CONFIG = const(0x16)
TEMP_DATA1 = const(0x1D)
GYRO_DATA_Z0 = const(0x2A)
INT_STATUS = const(0x2D)
FIFO_COUNTH = const(0x2E)
FIFO_COUNTL = const(0x2F)
FIFO_DATA = const(0x30)
SIGNAL_PATH_RESET = const(0x4B)
INTF_CONFIG0 = const(0x4C)
INTF_CONFIG1 = const(0x4D)
PWR_MGMT0 = const(0x4E)
GYRO_CONFIG0 = const(0x4F)
ACCEL_CONFIG0 = const(0x50)
GYRO_CONFIG1 = const(0x51)
GYRO_ACCEL_CONFIG0 = const(0x52)
ACCEL_CONFIG1 = const(0x53)
TMST_CONFIG = const(0x54)
FIFO_CONFIG1 = const(0x5F)
FIFO_CONFIG2 = const(0x60)
FIFO_CONFIG3 = const(0x61)
INT_CONFIG0 = const(0x63)
INT_CONFIG1 = const(0x64)
INT_SOURCE0 = const(0x65)
FIFO_LOST_PKT0 = const(0x6C)
FIFO_LOST_PKT1 = const(0x6D)
SELF_TEST_CONFIG = const(0x70)
WHO_AM_I = const(0x75)
REG_BANK_SEL = const(0x76)

# Banks 1 and 2 (sections 15 and 16): an address is bank × 128 + register
GYRO_CONFIG_STATIC2 = const(0x80 + 0x0B)
GYRO_CONFIG_STATIC3 = const(0x80 + 0x0C)
XG_ST_DATA = const(0x80 + 0x5F)
ACCEL_CONFIG_STATIC2 = const(0x100 + 0x03)
XA_ST_DATA = const(0x100 + 0x3B)

# Bank, first register, reset values from there.
_WRITABLE = (
    (0, 0x11, b"\x00"),  # DEVICE_CONFIG
    (0, 0x13, b"\x05\x00"),  # DRIVE_CONFIG, INT_CONFIG
    (0, 0x16, b"\x00"),  # FIFO_CONFIG
    (0, 0x4B, b"\x00\x30\x91\x00\x06\x06\x16\x11\x0d\x23"),  # SIGNAL_PATH_RESET … TMST_CONFIG
    (0, 0x56, b"\x82\x00"),  # APEX_CONFIG0, SMD_CONFIG
    (0, 0x5F, b"\x00\x00\x00\x10\x00\x10\x10\x00"),  # FIFO_CONFIG1 … INT_SOURCE1
    (0, 0x68, b"\x00\x00"),  # INT_SOURCE3, INT_SOURCE4
    (0, 0x70, b"\x00"),  # SELF_TEST_CONFIG
    (1, 0x03, b"\x80"),  # SENSOR_CONFIG0
    (1, 0x0B, b"\xa0\x0d\xaa\x80"),  # GYRO_CONFIG_STATIC2 … 5
    (1, 0x0F, b"\x00\x00\x00\x00\x11"),  # GYRO_CONFIG_STATIC6 … 10
    (1, 0x5F, b"\x00\x00\x00"),  # XG_ST_DATA … ZG_ST_DATA
    (1, 0x7A, b"\x83\x00\x5f"),  # INTF_CONFIG4 … 6
    (2, 0x03, b"\x30\x40\x62"),  # ACCEL_CONFIG_STATIC2 … 4
    (2, 0x3B, b"\x00\x00\x00"),  # XA_ST_DATA … ZA_ST_DATA
    (4, 0x40, b"\xa2\x85\x51\xa4\x8c\x5c\x45\x5b\x00"),  # APEX_CONFIG1 … 9
    (4, 0x4A, b"\x00\x00\x00\x00\x00\x00\x00\x00"),  # ACCEL_WOM_X_THR … INT_SOURCE10
    (4, 0x77, b"\x00\x00\x00\x00\x00\x00\x00\x00\x00"),  # OFFSET_USER0 … 8
)
_READ_ONLY = (
    (0, 0x1D, b"\x80\x00" * 7),  # TEMP_DATA1 … GYRO_DATA_Z0: "no valid sample yet"
    (0, 0x2D, b"\x10"),  # INT_STATUS: RESET_DONE_INT
    (0, 0x34, b"\x04"),  # APEX_DATA3
    (0, 0x75, b"\x47"),  # WHO_AM_I
)

N_REGISTERS = const(5 * 128)


def reset_values(registers, self_test_codes):
    """Fill `registers` (N_REGISTERS bytes) with the values after power-on or soft reset.

    `self_test_codes` are the factory's for x, y, z of the accelerometer, then of the gyroscope.
    """
    for i in range(N_REGISTERS):
        registers[i] = 0
    for bank, first, values in _WRITABLE + _READ_ONLY:
        for i in range(len(values)):
            registers[bank * 128 + first + i] = values[i]
    for i in range(3):
        registers[XA_ST_DATA + i] = self_test_codes[i]
        registers[XG_ST_DATA + i] = self_test_codes[3 + i]


def writable_map():
    """N_REGISTERS bytes: 1 for registers that can be written, 0 for those where the chip ignores writes."""
    writable = bytearray(N_REGISTERS)
    for bank, first, values in _WRITABLE:
        for i in range(len(values)):
            writable[bank * 128 + first + i] = 1
    return writable


# Output data rates in Hz by ODR code (tables of GYRO_CONFIG0 and ACCEL_CONFIG0, sections 14.37, 14.38); 0: not modelled
# (12.5 Hz, the accelerometer's low-power rates) or reserved.
ODR_HZ = (0, 32000, 16000, 8000, 4000, 2000, 1000, 200, 100, 50, 25, 0, 0, 0, 0, 500)

# The anti-alias filter by DELT, 0 to 63: −3 dB bandwidth in Hz, and its DELTSQR and BITSHIFT (section 5.3).
ANTI_ALIAS = (
    (0, 0, 0), (42, 1, 15), (84, 4, 13), (126, 9, 12), (170, 16, 11), (213, 25, 10),
    (258, 36, 10), (303, 49, 9), (348, 64, 9), (394, 81, 9), (441, 100, 8), (488, 122, 8),
    (536, 144, 8), (585, 170, 8), (634, 196, 7), (684, 224, 7), (734, 256, 7), (785, 288, 7),
    (837, 324, 7), (890, 360, 6), (943, 400, 6), (997, 440, 6), (1051, 488, 6), (1107, 528, 6),
    (1163, 576, 6), (1220, 624, 6), (1277, 680, 6), (1336, 736, 5), (1395, 784, 5), (1454, 848, 5),
    (1515, 896, 5), (1577, 960, 5), (1639, 1024, 5), (1702, 1088, 5), (1766, 1152, 5), (1830, 1232, 5),
    (1896, 1296, 5), (1962, 1376, 4), (2029, 1440, 4), (2097, 1536, 4), (2166, 1600, 4), (2235, 1696, 4),
    (2306, 1760, 4), (2377, 1856, 4), (2449, 1952, 4), (2522, 2016, 4), (2596, 2112, 4), (2671, 2208, 4),
    (2746, 2304, 4), (2823, 2400, 4), (2900, 2496, 4), (2978, 2592, 4), (3057, 2720, 4), (3137, 2816, 3),
    (3217, 2944, 3), (3299, 3008, 3), (3381, 3136, 3), (3464, 3264, 3), (3548, 3392, 3), (3633, 3456, 3),
    (3718, 3584, 3), (3805, 3712, 3), (3892, 3840, 3), (3979, 3968, 3),
)  # fmt: skip

# The rate over this is the user-interface filter's bandwidth, by code (GYRO_ACCEL_CONFIG0, section 14.40); 0: no filter
# (14 and 15 are "low latency").
UI_DIVIDER = (2, 4, 5, 8, 10, 16, 20, 40, 0, 0, 0, 0, 0, 0, 0, 0)
