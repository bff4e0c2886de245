"""Contents held packed in memory between the two treatments: first in, first out."""

from __future__ import annotations

import mmap
from collections import deque

import zstandard

# Contents are packed together: a file of 4 KB by itself shrinks half as well.
_BLOCK = 1 << 18


class Hold:
    """Takes contents up to a number of packed bytes, and gives them back in their order;
    each block is dropped once it is read. Nothing of it ever leaves memory."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.packed_bytes = 0
        self._blocks: deque[mmap.mmap] = deque()
        self._open = bytearray()
        self._pack = zstandard.ZstdCompressor(level=1)
        self._unpack = zstandard.ZstdDecompressor()
        self._read = memoryview(b"")

    def __repr__(self) -> str:
        return f"<Hold of {self.packed_bytes} bytes>"

    def put(self, content: bytes) -> bool:
        """Take a content; False when it does not fit any more. The block that is still
        open counts unpacked."""
        if self.packed_bytes + len(self._open) + len(content) > self.limit:
            self._close_block()
            if self.packed_bytes + len(content) > self.limit:
                return False
        self._open += content
        if len(self._open) >= _BLOCK:
            self._close_block()
        return True

    def _close_block(self) -> None:
        if self._open:
            packed = self._pack.compress(bytes(self._open))
            # A mapping of its own, which goes back to the system once it is read: freed
            # memory between what stays would not.
            block = mmap.mmap(-1, len(packed))
            block.write(packed)
            self._blocks.append(block)
            self.packed_bytes += len(packed)
            self._open.clear()

    def get(self, size: int) -> bytes:
        """The next content, which has that many bytes."""
        self._close_block()
        if size and not self._read:
            with self._blocks.popleft() as block:
                self._read = memoryview(self._unpack.decompress(block[:]))
        content, self._read = bytes(self._read[:size]), self._read[size:]
        return content
