"""FIT files written byte by byte, for what no writer library offers.

Layout from the public description of the protocol: a 14-byte header, definition messages (0x40),
data messages, compressed-timestamp headers (0x80), a CRC of two bytes.
"""

from __future__ import annotations

import struct

START = 1_000_000_000  # FIT time, seconds since 1989-12-31
RECORD, LAP, SESSION, ACTIVITY, FIELD_DESCRIPTION, DEVELOPER_DATA_ID = 20, 19, 18, 34, 206, 207
CODES = {"B": 0x02, "H": 0x84, "I": 0x86, "i": 0x85, "b": 0x01, "f": 0x88}


def crc16(data: bytes) -> int:
    table = [0, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401]
    table += [0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400]
    crc = 0
    for byte in data:
        for nibble in (byte & 0xF, byte >> 4):
            crc = (crc >> 4) ^ table[crc & 0xF] ^ table[nibble]
    return crc


def definition(local: int, message: int, fields: list[tuple[int, str]], developer=()) -> bytes:
    out = struct.pack("<BBBHB", (0x60 if developer else 0x40) | local, 0, 0, message, len(fields))
    for number, kind in fields:
        if kind.endswith("s"):
            out += struct.pack("<BBB", number, int(kind[:-1]), 0x07)
        else:
            out += struct.pack("<BBB", number, struct.calcsize(kind), CODES[kind])
    if developer:
        out += struct.pack("<B", len(developer))
        for number, kind in developer:
            out += struct.pack("<BBB", number, struct.calcsize(kind), 0)
    return out


def message(local: int, kinds: str, *values: object) -> bytes:
    return struct.pack("<B" + kinds, local, *values)


def fit_file(*parts: bytes, size: int | None = None) -> bytes:
    body = b"".join(parts)
    head = struct.pack("<BBHI4s", 14, 0x20, 2100, len(body) if size is None else size, b".FIT")
    head += struct.pack("<H", crc16(head))
    return head + body + struct.pack("<H", crc16(head + body))


PLAIN = definition(0, RECORD, [(253, "I"), (7, "H"), (6, "H"), (5, "I"), (2, "H"), (3, "B")])


def plain(t: int, power: int = 200, speed: float = 10.0, distance: float | None = None) -> bytes:
    d = 10.0 * t if distance is None else distance
    values = (START + t, power, round(1000 * speed), round(100 * d), 5 * (70 + 500), 140)
    return message(0, "IHHIHB", *values)
