"""Deflated zeros by the gigabyte, without deflating a gigabyte."""

from __future__ import annotations

import zlib

#: Bytes that are deflated once and then repeated.
BLOCK = 1_000_000
#: The modulus of Adler-32 (RFC 1950, 8.2).
ADLER = 65521


def deflated_zeros(count: int) -> bytes:
    """The zlib stream of so many zero bytes.

    After a full flush the compressor starts afresh, so that the same block may follow itself (RFC 1951).
    """
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    block = packer.compress(bytes(BLOCK)) + packer.flush(zlib.Z_FULL_FLUSH)
    last = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    blocks, rest = divmod(count, BLOCK)
    checksum = (count % ADLER) << 16 | 1
    return b"\x78\xda" + block * blocks + last.compress(bytes(rest)) + last.flush() + checksum.to_bytes(4, "big")
