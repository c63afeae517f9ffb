#!/usr/bin/env python3
"""Reads a Benchward run file (*.bwr) by the page in src/format.rs and nothing else of Benchward.

Prints a line a scan, tab-separated: wall ms, mono ms, heat, phase, stage, target, then per channel the reading in degrees
Celsius (Python's shortest decimal, which is exact) or the quality. Needs `pip install pcodec numpy`.
"""
import json
import struct
import sys
import zlib

import numpy
from pcodec import standalone

MASK = (1 << 64) - 1


def signed64(value):
    value &= MASK
    return value - (1 << 64) if value >> 63 else value


class Take:
    def __init__(self, data):
        self.data, self.at = data, 0

    def bytes(self, count):
        taken = self.data[self.at:self.at + count]
        assert len(taken) == count, "ends too early"
        self.at += count
        return taken

    def rest(self):
        return self.bytes(len(self.data) - self.at)

    def number(self, shape):
        return struct.unpack("<" + shape, self.bytes(struct.calcsize(shape)))[0]

    def varint(self):
        value = shift = 0
        while True:
            byte = self.number("B")
            value |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                return value

    def signed(self):
        folded = self.varint()
        return folded >> 1 if folded % 2 == 0 else -(folded >> 1) - 1


def unpack(data):
    return numpy.asarray(standalone.simple_decompress(bytes(data))).tolist()


def integers(data, n):
    if n == 0:
        return []
    take = Take(data)
    how = take.number("B")
    if how == 0:
        return [take.signed()] * n
    if how == 1:
        values, value = [], 0
        for _ in range(take.varint()):
            value = signed64(value + take.signed())
            values += [value] * take.varint()
        return values
    if how in (2, 3):
        return unpack(take.rest())
    if how == 4:
        value, step = take.signed(), take.signed()
        values = [value]
        for uneven in integers(take.rest(), n - 1):
            value = signed64(value + step + uneven)
            values.append(value)
        return values
    if how == 5:
        first, step = take.signed(), take.signed()
        return [signed64(first + at * step + off) for at, off in enumerate(integers(take.rest(), n))]
    if how == 6:
        first, a, b = take.signed(), take.number("B"), take.number("B")
        level, trend, values = signed64(first << 16), 0, [first]
        for surprise in integers(take.rest(), n - 1):
            ahead = signed64(level + trend)
            value = signed64(surprise + (signed64(ahead + (1 << 15)) >> 16))
            error = signed64((value << 16) - ahead)
            level, trend = signed64(ahead + (error >> a)), signed64(trend + (error >> b))
            values.append(value)
        return values
    raise ValueError(f"integers written in way {how}")


def floats(data, n):
    if n == 0:
        return []
    take = Take(data)
    how = take.number("B")
    if how == 0:
        return [take.number("d")] * n
    if how == 1:
        values = []
        for _ in range(take.varint()):
            value = take.number("d")
            values += [value] * take.varint()
        return values
    if how == 2:
        return unpack(take.rest())
    if how == 3:
        scale = take.varint()
        return [count / scale for count in integers(take.rest(), n)]
    raise ValueError(f"floats written in way {how}")


def blocks(data):
    assert data[:8] == b"\x89BWR\r\n\x1a\n" and data[8:10] == b"\x01\x00", "not a run file of format 1"
    at = 16
    while at < len(data):
        mark, kind, version, _, length, body_sum, head_sum = struct.unpack("<4sBBHIII", data[at:at + 20])
        body = data[at + 20:at + 20 + length]
        assert mark == b"BWbk" and zlib.crc32(data[at:at + 16]) == head_sum and zlib.crc32(body) == body_sum, at
        yield kind, version, body
        at += 20 + length


def scans(body, abouts):
    take = Take(body)
    count, width, names = take.number("H"), take.number("H"), take.number("I")
    _place, _first, _last, _low, _high = (take.number(shape) for shape in "QQQqq")
    about = abouts[names]
    assert len(about["channels"]) == width
    heads = []
    for _ in range(width):
        good = take.varint()
        if good:
            take.bytes(16)
        spans, end = [], 0
        for _ in range(take.varint()):
            start = end + take.varint()
            end = start + take.varint()
            spans.append((start, end, take.number("B")))
        heads.append((good, spans))
    columns = [take.bytes(take.varint()) for _ in range(6 + width)]
    mono = integers(columns[0], count)
    wall = [signed64(o + m) for o, m in zip(integers(columns[1], count), mono)]
    heat = floats(columns[2], count)
    phase = [about["phases"][code] for code in integers(columns[3], count)]
    stage = ["" if code == 0 else code - 1 for code in integers(columns[4], count)]
    target = ["" if value != value else value for value in floats(columns[5], count)]
    channels = []
    for (good, spans), column in zip(heads, columns[6:]):
        readings = iter(floats(column, good))
        quality = [0] * count
        for start, end, code in spans:
            quality[start:end] = [code] * (end - start)
        channels.append([about["qualities"][code] if code else next(readings) for code in quality])
    return zip(wall, [m & MASK for m in mono], heat, phase, stage, target, *channels)


def main(path):
    data = open(path, "rb").read()
    found = list(blocks(data))
    abouts = {}
    for kind, _, body in found:
        if kind == 1:
            about = json.loads(body)
            abouts[zlib.crc32("".join(name + "\n" for name in about["channels"]).encode())] = about
    for kind, version, body in found:
        if (kind, version) == (2, 1):
            for scan in scans(body, abouts):
                print("\t".join(map(str, scan)))


main(sys.argv[1])
