"""Broken, mislabelled and malicious sound files, to test `load`, `render` and the page's upload with."""

from __future__ import annotations

import random
import struct

import numpy as np
import soundfile

RATE = 48_000


def wav(claimed, data=bytes(4_000), channels=2, rate=RATE, bits=16, kind=1) -> bytes:
    """A WAV file whose header may claim anything."""
    frame = channels * bits // 8
    form = struct.pack("<HHIIHH", kind, channels, rate, rate * frame & 0xFFFFFFFF, frame & 0xFFFF, bits)
    riff = struct.pack("<I", claimed + 36 & 0xFFFFFFFF)
    return b"RIFF" + riff + b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", claimed) + data


def sound(folder, name, kind, subtype, channels=2, rate=RATE) -> bytes:
    """A valid file, as the library writes it."""
    samples = 0.1 * np.random.default_rng(4).standard_normal((3_000, channels))
    path = folder / name
    soundfile.write(str(path), samples, rate, format=kind, subtype=subtype)
    content = path.read_bytes()
    path.unlink()
    return content


def with_flac_length(content: bytes, frames: int) -> bytes:
    """A FLAC file whose header claims another length (36 bits from the 14th byte of STREAMINFO; RFC 9639, 8.2)."""
    changed, at = bytearray(content), 8 + 13
    changed[at] = changed[at] & 0xF0 | frames >> 32
    changed[at + 1 : at + 5] = struct.pack(">I", frames & 0xFFFFFFFF)
    return bytes(changed)


def misleading(folder) -> tuple[dict[str, bytes], dict[str, bytes]]:
    """Files by name: those that hold sound despite their header or name, and those that must be refused."""
    flac, good = sound(folder, "a.flac", "FLAC", "PCM_16"), wav(4_000)
    rf64, w64 = sound(folder, "a.rf64", "RF64", "PCM_16"), sound(folder, "a.w64", "W64", "PCM_16")
    sizes = rf64.index(b"ds64") + 8
    length = w64.index(b"data") + 16
    fine = {
        "claims 2 GB.wav": wav(2**31),
        "claims 4 GB.wav": wav(2**32 - 1),
        "claims 4 GB less.wav": wav(2**32 - 8),
        "8 bits.wav": wav(4_000, channels=1, bits=8),
        "32 channels.wav": wav(32 * 2 * 60, bytes(32 * 2 * 60), channels=32),
        "40 channels.wav": wav(40 * 2 * 60, bytes(40 * 2 * 60), channels=40),
        "64 bits.wav": wav(4_000, bits=64, kind=3),
        "flac as.wav": flac,
        "wav as.flac": good,
        "unknown length.flac": with_flac_length(flac, 0),
        "claims 2 G frames.flac": with_flac_length(flac, 2**31),
        "claims all it can.flac": with_flac_length(flac, 2**36 - 1),
        "claims too little.wav": wav(400),
        "true.rf64": rf64,
        "claims a terabyte.rf64": rf64[:sizes] + struct.pack("<QQQ", 2**40, 2**40, 2**38) + rf64[sizes + 24 :],
        "claims more than there is.w64": w64[:length] + struct.pack("<Q", 2**42) + w64[length + 8 :],
        "rubbish behind.wav": good + bytes(range(256)) * 20,
    }
    not_a_number = np.zeros((500, 2), "<f4")
    not_a_number[123] = np.nan
    endless = np.full((500, 2), np.inf, "<f4")
    refused = {
        "text.wav": b"la la la\n" * 300,
        "empty.wav": b"",
        "empty.flac": b"",
        "one byte.wav": b"R",
        "only a header.wav": wav(0, b""),
        "cut header.wav": good[:30],
        "cut header.flac": flac[:30],
        "zeros.wav": bytes(5_000),
        "no channels.wav": wav(4_000, channels=0),
        "65535 channels.wav": wav(4_000, channels=65_535),
        "no rate.wav": wav(4_000, rate=0),
        "384 kHz.wav": wav(4_000, rate=384_000),
        "4 kHz.wav": wav(4_000, rate=4_000),
        "4 GHz.wav": wav(4_000, rate=2**32 - 1),
        "no bits.wav": wav(4_000, bits=0),
        "unknown kind.wav": wav(4_000, kind=0x7777),
        "not a number.wav": wav(4_000, not_a_number.tobytes(), bits=32, kind=3),
        "infinite.wav": wav(4_000, endless.tobytes(), bits=32, kind=3),
        "picture.wav": b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8,
        "page.flac": b"<!doctype html><title>404</title>" * 50,
        "archive.wav": b"PK\x03\x04" + bytes(range(256)) * 8,
    }
    return fine, refused


KINDS = [
    ("a.wav", "WAV", "PCM_16"),
    ("f.wav", "WAV", "FLOAT"),
    ("x.wav", "WAVEX", "PCM_24"),
    ("m.wav", "WAV", "MS_ADPCM"),
    ("a.flac", "FLAC", "PCM_16"),
    ("a.aiff", "AIFF", "PCM_24"),
    ("a.ogg", "OGG", "VORBIS"),
    ("a.w64", "W64", "PCM_16"),
    ("a.rf64", "RF64", "PCM_16"),
]
_SIZES = [bytes(4), b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x00\x00\x00\x80", b"\x01\x00\x00\x00"]


def harmed(content: bytes, chance: random.Random) -> bytes:
    """A file with bytes changed in its header or anywhere, an extreme value in a field, or its end cut off."""
    changed, way = bytearray(content), chance.choice(["header", "anywhere", "extreme", "cut"])
    if way == "cut":
        del changed[chance.randrange(len(changed)) :]
    for _ in range(chance.choice([1, 1, 2, 4, 16]) if way != "cut" else chance.choice([0, 1])):
        if len(changed) < 4:
            break
        at = chance.randrange(len(changed) - 3 if way == "anywhere" else min(len(changed) - 3, 90))
        changed[at : at + 4] = (
            chance.choice(_SIZES) if way == "extreme" else bytes([chance.randrange(256)]) + changed[at + 1 : at + 4]
        )
    return bytes(changed)
