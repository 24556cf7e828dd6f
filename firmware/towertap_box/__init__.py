"""The sensor box's firmware: samples from the chip's FIFO to the serial port, nothing lost silently."""

VERSION = "0.1.0"
