"""Frames follow hardware_notes/wire_format.md; the expected bytes are built by hand from that page."""

import binascii
import json

import numpy as np
import pytest
from towertap.wire.decoder import Decoder
from towertap.wire.frames import HEADER, command_line
from towertap.wire.layouts import LAYOUTS


def test_crc_is_iso_hdlc(by_hand):
    # check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms: 0xCBF43926
    assert binascii.crc32(b"123456789") == 0xCBF43926
    assert by_hand.frame(3, b"123456789")[-4:] == binascii.crc32(by_hand.frame(3, b"123456789")[:-4]).to_bytes(
        4, "little"
    )


def test_header_is_36_bytes_with_the_offsets_in_the_page():
    offsets = {name: HEADER.fields[name][1] for name in HEADER.names}
    assert HEADER.itemsize == 36
    assert list(offsets.values()) == [0, 4, 5, 6, 7, 8, 10, 12, 16, 24, 32, 34]


def test_samples_are_read_to_the_bit(by_hand):
    acceleration = np.array([[-32768, -1, 0], [1, 256, 32767]])
    rotation = np.array([[5, -6, 7], [-8, 9, -10]])
    (frames,) = Decoder().feed(by_hand.samples(acceleration, rotation, first=11, clock=12, fifo=2, temperature=-3))
    counts = {name: of_quantity.tolist() for name, of_quantity in frames.counts().items()}
    assert counts == {"acceleration": acceleration.tolist(), "rotation": rotation.tolist()}
    header = frames.headers[0]
    assert (header["first_sample"], header["clock_us"], header["fifo_level"], header["temperature"]) == (11, 12, 2, -3)


def test_temperature_word_follows_the_data_sheet():
    # data sheet DS-000347, 4.13: degrees Celsius = word / 132.48 + 25
    celsius = LAYOUTS[1].temperature_c(np.array([0, 1325, -32768]))
    assert celsius[:2] == pytest.approx([25.0, 35.0], abs=0.01)
    assert np.isnan(celsius[2])


def test_a_command_is_one_short_ascii_line_of_json():
    line = command_line({"do": "mark", "text": "Brücke"})
    assert line.endswith(b"\n")
    assert line.isascii()
    assert json.loads(line) == {"do": "mark", "text": "Brücke"}
    with pytest.raises(ValueError, match="256"):
        command_line({"do": "mark", "text": "x" * 256})


def test_text_and_data_of_a_message(by_hand):
    (frames,) = Decoder().feed(by_hand.frame(3, "Kuhle \N{SNOWMAN}".encode()))
    assert frames.text == "Kuhle \N{SNOWMAN}"
    (frames,) = Decoder().feed(by_hand.frame(5, b"[1]"))
    assert frames.data == {}
