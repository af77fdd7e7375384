"""Reads a recording as docs/recording-format.md says, and prints one line of JSON for each record of it.

Usage: read_recording.py <recording>      needs python3-msgpack and python3-crcmod; exits with 1 at any damage
"""
import itertools, json, struct, sys
import crcmod.predefined, msgpack

crc32c = crcmod.predefined.mkPredefinedCrcFun("crc-32c")


def varint(stream):
    value = shift = 0
    for byte in stream:
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return value
        shift += 7


def image(data, pixels):
    """Returns the list of counts."""
    if data[0] == 0:
        return list(struct.unpack("<%dH" % pixels, data[1:]))
    stream, levels, runs, values, value = iter(data[1:]), None, [], [], 0
    if data[0] == 2:
        levels = list(itertools.accumulate((varint(stream) + 1 for _ in range(varint(stream)))))
    while sum(map(sum, runs)) < pixels:
        runs.append((varint(stream), varint(stream)))
    total = sum(full for _, full in runs)
    groups = (total + 7) // 8
    nibbles = bytes(itertools.islice(stream, (groups + 1) // 2))
    for g in range(groups):
        width = nibbles[g // 2] >> 4 * (g % 2) & 15
        width = 16 if width == 15 else width
        bits = int.from_bytes(bytes(itertools.islice(stream, width)), "little")
        for k in range(8):
            number = bits >> k * width & (1 << width) - 1
            value = (value + (number >> 1 ^ -(number & 1))) & 0xFFFF
            values.append(levels[value] if levels else value)
    assert next(stream, None) is None and all(values[:total])
    full_pixels = iter(values)
    return [n for empty, full in runs for n in [0] * empty + list(itertools.islice(full_pixels, full))]


data, at, optics = open(sys.argv[1], "rb").read(), 16, []
assert data[:8] == b"\x89BRK\r\n\x1a\n" and struct.unpack("<LL", data[8:16]) == (1, crc32c(data[:12]))
while at < len(data):
    sync, size, check, head = struct.unpack("<4sLLL", data[at:at + 16])
    payload = data[at + 16:at + 16 + size]
    assert sync == b"\xc1BRK" and head == crc32c(data[at:at + 12]) and check == crc32c(payload)
    record, at = msgpack.unpackb(payload), at + 16 + size
    if record["kind"] == "header":
        optics = [sensor["optics"] for sensor in record["setup"]["sensors"]]
    for name in ("counts", "amplitude"):
        if isinstance(record.get(name), bytes):
            of = optics[record["sensor"]]
            counts = image(record[name], of["width"] * of["height"])
            record[name] = "%08x" % crc32c(struct.pack("<%dH" % len(counts), *counts))
    print(json.dumps(record))
