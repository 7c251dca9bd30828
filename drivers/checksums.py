"""Checksums that lines end with.

Each is a plain function over the bytes of a line up to its checksum; the expected text is hexadecimal.

Source of names, parameters and check values of the CRCs: the catalogue of parametrised CRC algorithms (reveng,
CRC-16/IBM-3740 and CRC-16/MODBUS), from memory. "crc16-ccitt" alone is ambiguous in practice; here it is the one with
start value 0xFFFF.
"""

from __future__ import annotations

import binascii
from collections.abc import Callable, Mapping
from functools import reduce
from operator import xor
from types import MappingProxyType
from typing import Final


def xor8(data: bytes) -> int:
    """Exclusive or of all bytes; 0 of none.

    >>> hex(xor8(b"123456789"))
    '0x31'
    """
    return reduce(xor, data, 0)


def sum8(data: bytes) -> int:
    """Sum of all bytes modulo 256.

    >>> hex(sum8(b"123456789"))
    '0xdd'
    """
    return sum(data) & 0xFF


def crc16_ccitt(data: bytes) -> int:
    """Width 16, polynomial 0x1021, start 0xFFFF, not reflected, no final xor (CRC-16/IBM-3740).

    >>> hex(crc16_ccitt(b"123456789"))
    '0x29b1'
    """
    return binascii.crc_hqx(data, 0xFFFF)


def _reflected_table(polynomial: int) -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ polynomial if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_MODBUS: Final = _reflected_table(0xA001)  # 0x8005 with its bits in reverse


def crc16_modbus(data: bytes) -> int:
    """Width 16, polynomial 0x8005, start 0xFFFF, reflected in and out, no final xor (CRC-16/MODBUS).

    The number is meant with its high byte first, as hexadecimal text is read.

    >>> hex(crc16_modbus(b"123456789"))
    '0x4b37'
    """
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _MODBUS[(crc ^ byte) & 0xFF]
    return crc


CHECKSUMS: Final[Mapping[str, Callable[[bytes], int]]] = MappingProxyType(
    {"xor8": xor8, "sum8": sum8, "crc16-ccitt": crc16_ccitt, "crc16-modbus": crc16_modbus}
)
"""Name in a profile → function."""
