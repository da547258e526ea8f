"""Chunks of a WAV file beside its samples: read, brought up to date, put in front of the samples.

Where a recording belongs on a time line, what it is called and how fast it is played stands in
chunks that libsndfile does not carry over. They are taken as they are; what a render makes untrue
is changed: the coding history gets a line, the loudness of the dry take goes, and so does what
names that one file among all others.

References
----------
EBU Tech 3285 version 2 (``bext``); EBU R 98 (its coding history); the iXML specification;
EBU Tech 3306 and ITU-R BS.2088 (``RF64``, ``BW64``, ``ds64``); Microsoft and IBM, Multimedia
Programming Interface 1.0 (``RIFF``, ``cue``, ``LIST``, ``smpl``). ``acid`` has no published
standard: it is carried untouched.
"""

import io
import re
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from vadist.files import told

CARRIED = (b"bext", b"iXML", b"cue ", b"LIST", b"smpl", b"inst", b"acid")
"""Chunks that go from a take to its renders, in the order in which they are written."""

FORMS = (b"RIFF", b"RF64", b"BW64")

_LARGEST = 16 * 2**20  # of one chunk: notes and marks, not a second recording
_COPIED = 1 << 20
_HISTORY = 602  # where the coding history begins in bext
_VERSION, _UMID, _LOUDNESS = 346, 348, 412
_NO_LOUDNESS = struct.pack("<5h", *[0x7FFF] * 5)
# What stands for a loudness that is not told (EBU Tech 3285 version 2, section 2.3).


@dataclass(frozen=True)
class Chunk:
    """A chunk of a RIFF file.

    Attributes
    ----------
    tag : bytes
        Four letters.
    content : bytes
        Without the byte that makes its length even.
    """

    tag: bytes
    content: bytes

    @property
    def written(self) -> bytes:
        """As it stands in a file."""
        padding = b"\0" * (len(self.content) % 2)
        return self.tag + struct.pack("<I", len(self.content)) + self.content + padding


def read_chunks(path: Path) -> tuple[Chunk, ...]:
    """Chunks of a WAV file that renders of it are to have, in the order of :data:`CARRIED`.

    None of a file of another kind.

    Raises
    ------
    AudioFileError
    """
    found = []
    with told(path, "cannot be read"), path.open("rb") as stream:
        for tag, length in _headers(stream):
            if tag in CARRIED and 0 < length <= _LARGEST:
                content = stream.read(length)
                if len(content) == length:
                    found.append(Chunk(tag, content))
    return tuple(sorted(found, key=lambda chunk: CARRIED.index(chunk.tag)))


def _headers(stream: BinaryIO) -> Iterator[tuple[bytes, int]]:
    """Tag and length of each chunk; the stream then stands at its content."""
    form = stream.read(12)
    if form[:4] not in FORMS or form[8:] != b"WAVE":
        return
    wide = 0
    while len(header := stream.read(8)) == 8:
        tag, length = struct.unpack("<4sI", header)
        here = stream.tell()
        if tag == b"ds64":
            wide = int.from_bytes(stream.read(16)[8:], "little")
            stream.seek(here)
        elif tag == b"data" and length == 0xFFFFFFFF:
            length = wide
        yield tag, length
        stream.seek(here + length + length % 2)


def copy_with_chunks(source: Path, target: Path, chunks: Sequence[Chunk]) -> None:
    """Copy a WAV that libsndfile wrote, with chunks in front of its format and samples."""
    added = b"".join(chunk.written for chunk in chunks)
    with source.open("rb") as dry, target.open("xb") as file:
        head = dry.read(12)
        if head[:4] == b"RF64":
            wide = bytearray(dry.read(36))  # ds64 without a table: 8 and 28 bytes
            size = int.from_bytes(wide[8:16], "little") + len(added)
            wide[8:16] = size.to_bytes(8, "little")
            head += bytes(wide)
        else:
            size = int.from_bytes(head[4:8], "little") + len(added)
            head = head[:4] + size.to_bytes(4, "little") + head[8:]
        file.write(head + added)
        while piece := dry.read(_COPIED):
            file.write(piece)


def rendered(
    chunks: Sequence[Chunk], history: str, bits: int, channels: Sequence[int] | None
) -> tuple[Chunk, ...]:
    r"""Chunks of a take as its render is to have them.

    Parameters
    ----------
    chunks : sequence of Chunk
    history : str
        Line for the coding history.
    bits : int
        Of a sample of the render.
    channels : sequence of int, optional
        Those of the take that were rendered, from 1; all by default.

    Examples
    --------
    >>> old = Chunk(b"bext", bytes(602) + b"A=PCM,W=16")
    >>> new = rendered([old], "A=PCM,W=24", 24, None)[0]
    >>> new.content[602:]
    b'A=PCM,W=16\r\nA=PCM,W=24\r\n'
    """
    changed = []
    for chunk in chunks:
        if chunk.tag == b"bext":
            if len(chunk.content) < _HISTORY:  # none that anybody could read
                continue
            changed.append(Chunk(chunk.tag, _told_in(chunk.content, history)))
        elif chunk.tag == b"iXML":
            changed.append(Chunk(chunk.tag, _described(chunk.content, bits, channels)))
        else:
            changed.append(chunk)
    return tuple(changed)


def coding_line(sample_rate_hz: int, bits: int, channels: int, text: str) -> str:
    """Line of a coding history (EBU R 98).

    >>> coding_line(48000, 24, 1, "vadist, soft_clipper")
    'A=PCM,F=48000,W=24,M=mono,T=vadist; soft_clipper'
    """
    mode = {1: "M=mono,", 2: "M=stereo,"}.get(channels, "")
    plain = text.replace(",", ";").encode("ascii", "replace").decode("ascii")
    return f"A=PCM,F={sample_rate_hz},W={bits},{mode}T={' '.join(plain.split())}"


def _told_in(content: bytes, line: str) -> bytes:
    """A broadcast extension with one more line of history."""
    fixed = bytearray(content[:_HISTORY])
    fixed[_UMID : _UMID + 64] = bytes(64)  # a render is other material
    if int.from_bytes(fixed[_VERSION : _VERSION + 2], "little") >= 2:
        fixed[_LOUDNESS : _LOUDNESS + 10] = _NO_LOUDNESS
    history = content[_HISTORY:].split(b"\0")[0].rstrip(b"\r\n")
    lines = [history] if history else []
    return bytes(fixed) + b"".join(each + b"\r\n" for each in [*lines, line.encode("ascii")])


def _described(content: bytes, bits: int, channels: Sequence[int] | None) -> bytes:
    """An iXML description that is true of the render: bits, tracks, and no file's own mark."""
    content = re.sub(rb"\s*<FILE_UID>.*?</FILE_UID>", b"", content, flags=re.DOTALL)
    content = re.sub(
        rb"(<AUDIO_BIT_DEPTH>)\s*\d+\s*(</AUDIO_BIT_DEPTH>)", rb"\g<1>%d\g<2>" % bits, content
    )
    if channels is None:
        return content
    index = re.compile(rb"(<INTERLEAVE_INDEX>)\s*(\d+)\s*(</INTERLEAVE_INDEX>)")

    def kept(found: re.Match[bytes]) -> bytes:
        place = index.search(found[0])
        if place is None or int(place[2]) not in channels:
            return b""
        return index.sub(rb"\g<1>%d\g<3>" % (channels.index(int(place[2])) + 1), found[0])

    content = re.sub(rb"\s*<TRACK>.*?</TRACK>", kept, content, flags=re.DOTALL)
    count = len(re.findall(rb"<TRACK>", content))
    return re.sub(rb"(<TRACK_COUNT>)\s*\d+\s*(</TRACK_COUNT>)", rb"\g<1>%d\g<2>" % count, content)


def is_bw64(stream: BinaryIO) -> bool:
    """Whether a stream that stands at its beginning, where it stays, is a BW64 file."""
    tag = stream.read(4)
    stream.seek(0)
    return tag == b"BW64"


class AsRF64(io.FileIO):
    """A BW64 file, which libsndfile does not know by that name; its layout is that of RF64."""

    def readinto(self, buffer: Any) -> int | None:
        """Read as any file, its first four letters changed."""
        here = self.tell()
        count = super().readinto(buffer)
        if count and here < 4:
            taken = min(4 - here, count)
            memoryview(buffer)[:taken] = b"RF64"[here : here + taken]
        return count
