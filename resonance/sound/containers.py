"""How much sound a file's own headers promise, against the bytes that are there.

libsndfile quietly shortens a WAV or AIFF whose end is missing; here the promise is read straight from
the headers, before anything is decoded or allocated. Layouts: RIFF/RF64 (EBU Tech 3306), AIFF (Apple
1989), CAF (Apple), Ogg pages (RFC 3533), the Xing/Info frame of MP3 (common practice, no source).
"""

import struct
from dataclasses import dataclass
from typing import BinaryIO

UNKNOWN_32 = 0xFFFFFFFF  # what a program writes that streams a WAV and does not know its length
LONGEST_WALK = 10_000  # chunks; a sound file has a dozen


@dataclass(frozen=True)
class Layout:
    """How a chunked container writes its chunks."""

    start: int
    size_format: str
    sound: bytes
    even: bool = True


LAYOUTS = {
    b"RIFF": Layout(12, "<I", b"data"),
    b"RIFX": Layout(12, ">I", b"data"),
    b"RF64": Layout(12, "<I", b"data"),
    b"FORM": Layout(12, ">I", b"SSND"),
    b"caff": Layout(8, ">q", b"data", even=False),
}


def missing_bytes(file: BinaryIO, size: int) -> int:
    """Bytes that the headers of a sound file promise and that are not there; 0 where none or not known.

    Parameters
    ----------
    file : binary file, seekable; its position is lost
    size : int   length of the file in bytes
    """
    file.seek(0)
    magic = file.read(4)
    if magic in LAYOUTS:
        return _missing_in_chunks(file, size, LAYOUTS[magic])
    if magic == b"OggS":
        return _missing_in_ogg(file, size)
    if magic[:3] == b"ID3" or (len(magic) > 1 and magic[0] == 0xFF and magic[1] & 0xE0 == 0xE0):
        return _missing_in_mp3(file, size)
    return 0


def _missing_in_chunks(file: BinaryIO, size: int, layout: Layout) -> int:
    """Walk the chunks up to the sound and compare its stated length with what is left of the file."""
    width = struct.calcsize(layout.size_format)
    position, large = layout.start, 0
    for _ in range(LONGEST_WALK):
        file.seek(position)
        head = file.read(4 + width)
        if len(head) < 4 + width:
            return 0  # no sound chunk at all: the decoder says what is wrong
        (length,) = struct.unpack(layout.size_format, head[4:])
        if head[:4] == b"ds64":
            large = _large_size(file.read(16))
        body = position + 4 + width
        if head[:4] == layout.sound:
            if length == UNKNOWN_32 and width == 4:
                length = large
            return max(0, length - (size - body)) if length >= 0 else 0
        if length < 0:
            return 0
        position = body + length + (length % 2 if layout.even else 0)
    return 0


def _large_size(body: bytes) -> int:
    """Length of the sound in the 'ds64' chunk of an RF64 file."""
    return int(struct.unpack("<Q", body[8:16])[0]) if len(body) == 16 else 0


def _missing_in_ogg(file: BinaryIO, size: int) -> int:
    """Bytes missing from the last page of an Ogg file (a page is 64 kB at most)."""
    start = max(0, size - 2 * 65_536)
    file.seek(start)
    tail = file.read(size - start)
    at = tail.rfind(b"OggS")
    if at < 0:
        return 0
    page = tail[at:]
    if len(page) < 27 or len(page) < 27 + page[26]:
        return 1
    segments = page[26]
    return max(0, 27 + segments + sum(page[27 : 27 + segments]) - len(page))


def _missing_in_mp3(file: BinaryIO, size: int) -> int:
    """Bytes missing by the count in the Xing/Info frame, where there is one."""
    file.seek(0)
    head = file.read(10)
    start = 0
    if head[:3] == b"ID3" and len(head) == 10:
        start = 10 + sum((head[6 + k] & 0x7F) << (7 * (3 - k)) for k in range(4))
    file.seek(start)
    frame = file.read(4096)
    at = max(frame.find(b"Xing"), frame.find(b"Info"))
    if at < 0 or at > 64 or len(frame) < at + 16 or not frame[at + 7] & 2:
        return 0
    offset = at + 8 + (4 if frame[at + 7] & 1 else 0)
    (stated,) = struct.unpack(">I", frame[offset : offset + 4])
    return max(0, int(stated) - (size - start))
