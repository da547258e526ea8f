"""WAV files with chunks beside their samples, written byte by byte after the standards.

EBU Tech 3285 version 2 (bext), EBU Tech 3306 and ITU-R BS.2088 (RF64, BW64), the Multimedia
Programming Interface 1.0 (cue, LIST, smpl); the layout of acid from memory: 24 bytes, the tempo a
float in the last four.
"""

import struct
from pathlib import Path

import numpy as np

TIME_REFERENCE = 48_000 * 3_600 + 2**33  # beyond 32 bits
TEMPO_BPM = 93.5
HISTORY = b"A=PCM,F=48000,W=24,M=stereo,T=recorder\r\n"

IXML = b"""<?xml version="1.0" encoding="UTF-8"?>
<BWFXML><IXML_VERSION>1.61</IXML_VERSION><SCENE>5</SCENE><TAKE>2</TAKE><FILE_UID>X1</FILE_UID>
<SPEED><AUDIO_BIT_DEPTH>16</AUDIO_BIT_DEPTH></SPEED><TRACK_LIST><TRACK_COUNT>2</TRACK_COUNT>
<TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>amp</NAME></TRACK>
<TRACK><CHANNEL_INDEX>2</CHANNEL_INDEX><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>dry</NAME></TRACK>
</TRACK_LIST></BWFXML>"""


def chunk(tag: bytes, content: bytes) -> bytes:
    return tag + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def bext() -> bytes:
    return struct.pack(
        "<256s32s32s10s8sQH64s5h180x", b"riff, second try", b"a recorder", b"R0001",
        b"2026-11-20", b"20:15:00", TIME_REFERENCE, 2, bytes(range(64)),
        -2300, 500, -100, -1900, -2000,
    ) + HISTORY  # fmt: skip


CUE = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 1200, b"data", 0, 0, 1200)
LABELS = b"adtl" + chunk(b"labl", struct.pack("<I", 1) + b"verse\0")
SMPL = struct.pack("<9I", 0, 0, 20833, 40, 0, 0, 0, 1, 0)
SMPL += struct.pack("<6I", 1, 0, 100, 9000, 0, 0)
ACID = struct.pack("<IHHfIHHf", 0, 60, 0x8000, 0.0, 4, 4, 4, TEMPO_BPM)


def write_take(path: Path, samples: np.ndarray, rate: int, form: bytes = b"RIFF") -> None:
    """A 16-bit take with every chunk, before and behind its samples.

    Parameters
    ----------
    path : Path
    samples : (frames, channels)
    rate : int
    form : bytes
        ``RIFF``, ``RF64`` or ``BW64``.
    """
    data = np.rint(samples * 32768).clip(-32768, 32767).astype("<i2").tobytes()
    channels = samples.shape[1]
    fmt = struct.pack("<HHIIHH", 1, channels, rate, 2 * channels * rate, 2 * channels, 16)
    front = chunk(b"bext", bext()) + chunk(b"fmt ", fmt)
    behind = b"".join(
        chunk(tag, content)
        for tag, content in (
            (b"iXML", IXML), (b"cue ", CUE), (b"LIST", LABELS), (b"smpl", SMPL), (b"acid", ACID),
            (b"note", bytes(16)),
        )
    )  # fmt: skip
    if form == b"RIFF":
        body = b"WAVE" + front + chunk(b"data", data) + behind
        path.write_bytes(form + struct.pack("<I", len(body)) + body)
        return
    rest = front + b"data\xff\xff\xff\xff" + data + behind
    wide = struct.pack("<QQQI", 4 + 36 + len(rest), len(data), len(samples), 0)
    path.write_bytes(form + b"\xff\xff\xff\xffWAVE" + chunk(b"ds64", wide) + rest)


def chunks_of(path: Path) -> list[tuple[bytes, bytes]]:
    """Tags and contents in order, samples left out; the test's own reading of a file."""
    raw, at, found = path.read_bytes(), 12, []
    wide = 0
    while at + 8 <= len(raw):
        tag, length = struct.unpack_from("<4sI", raw, at)
        if tag == b"ds64":
            wide = struct.unpack_from("<Q", raw, at + 16)[0]
        if tag == b"data":
            length = wide if length == 0xFFFFFFFF else length
        found.append((tag, b"" if tag == b"data" else raw[at + 8 : at + 8 + length]))
        at += 8 + length + length % 2
    assert at == len(raw)
    return found
