"""Contents held packed in memory between the two treatments: first in, first out."""

from __future__ import annotations

import mmap
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor

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
        # Packed beside the rules' work, a block at a time.
        self._packer = ThreadPoolExecutor(max_workers=1)
        self._packing: Future[bytes] | None = None
        self._packing_size = 0
        self._pack = zstandard.ZstdCompressor(level=1)
        self._unpack = zstandard.ZstdDecompressor()
        self._read = memoryview(b"")

    def __repr__(self) -> str:
        return f"<Hold of {self.packed_bytes} bytes>"

    def put(self, content: bytes) -> bool:
        """Take a content; False when it does not fit any more. What is not packed yet
        counts unpacked."""
        if self._used + len(content) > self.limit:
            self._close_block()
            self._take_packed()
            if self._used + len(content) > self.limit:
                return False
        self._open += content
        if len(self._open) >= _BLOCK:
            self._close_block()
        return True

    @property
    def _used(self) -> int:
        return self.packed_bytes + self._packing_size + len(self._open)

    def _close_block(self) -> None:
        if self._open:
            self._take_packed()
            self._packing_size = len(self._open)
            self._packing = self._packer.submit(self._pack.compress, bytes(self._open))
            self._open.clear()

    def _take_packed(self) -> None:
        if self._packing is not None:
            packed = self._packing.result()
            self._packing, self._packing_size = None, 0
            # A mapping of its own, which goes back to the system once it is read: freed
            # memory between what stays would not.
            block = mmap.mmap(-1, len(packed))
            block.write(packed)
            self._blocks.append(block)
            self.packed_bytes += len(packed)

    def get(self, size: int) -> bytes:
        """The next content, which has that many bytes."""
        self._close_block()
        self._take_packed()
        self._packer.shutdown()
        if size and not self._read:
            with self._blocks.popleft() as block:
                self._read = memoryview(self._unpack.decompress(block[:]))
        content, self._read = bytes(self._read[:size]), self._read[size:]
        return content
