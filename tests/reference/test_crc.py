"""The checksum against its published check value."""

from __future__ import annotations

import binascii

import pytest

from firmware_host.wire import Decoder, frame

CHECK_STRING = "123456789"

# Check values over the ASCII string "123456789": table of predefined algorithms of the Python library crcmod 1.7
# (entries crc-32, crc-ccitt-false, xmodem). The same values stand, from memory, in G. Cook's "Catalogue of parametrised
# CRC algorithms" (entries CRC-32/ISO-HDLC, CRC-16/IBM-3740, CRC-16/XMODEM).
CRC_32_CHECK = 0xCBF43926
CRC_CCITT_FALSE_CHECK = 0x29B1
CRC_XMODEM_CHECK = 0x31C3


def test_the_checksum_of_a_line_is_crc_32() -> None:
    assert frame(CHECK_STRING) == b"123456789*cbf43926\n"
    assert int(frame(CHECK_STRING)[-9:-1], 16) == CRC_32_CHECK


def test_crc_32_worked_out_bit_by_bit_gives_the_same_value() -> None:
    remainder = 0xFFFFFFFF
    for byte in CHECK_STRING.encode():
        remainder ^= byte
        for _ in range(8):
            remainder = remainder >> 1 ^ (0xEDB88320 if remainder & 1 else 0)
    assert remainder ^ 0xFFFFFFFF == CRC_32_CHECK == binascii.crc32(CHECK_STRING.encode())


@pytest.mark.parametrize(("start", "check"), [(0xFFFF, CRC_CCITT_FALSE_CHECK), (0, CRC_XMODEM_CHECK)])
def test_the_16_bit_forms_of_the_same_library_match_too(start: int, check: int) -> None:
    assert binascii.crc_hqx(CHECK_STRING.encode(), start) == check


@pytest.mark.parametrize("wrong", [b"cbf43927", b"29b1", b"CBF43926", b"e3069283"])
def test_a_line_with_any_other_checksum_is_refused(wrong: bytes) -> None:
    decoder = Decoder()
    assert decoder.lines(b"set 1 a=b*" + wrong + b"\n") == []
    assert decoder.lines(CHECK_STRING.encode() + b"*" + wrong + b"\n") == []
    assert decoder.bad_crc + decoder.malformed == 2
