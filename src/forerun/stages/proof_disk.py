"""The smallest guest that proves that a processor runs what a kernel needs of it.

A boot sector (x86) that goes from real mode over page tables to 64-bit mode, exchanges
sixteen bytes under lock as a kernel's memory allocator does, and only then writes a line
to the first serial port and halts. Emulating layers below a /dev/kvm have been seen to
run real mode and to stop a guest at the locked exchange.

Instructions and tables: Intel 64 and IA-32 Architectures Software Developer's Manual,
volumes 2 (opcodes) and 3 (paging, IA-32e mode); sector and load address: BIOS Boot
Specification 1.01.
"""

from __future__ import annotations

PROOF_TEXT = b"forerun: this processor runs"

DISK_BYTES = 1024 * 1024
_LOADED_AT = 0x7C00
# Page tables at 0x1000, 0x2000 and 0x3000; what is exchanged lies at 0x4000.
_CODE = (
    "fa",  # cli
    "31c0 8ed8 8ec0 8ed0",  # ax, ds, es, ss = 0
    "bc007c fc",  # sp = 0x7c00; cld
    "66bf00100000 6631c0 66b9000c0000 66f3ab",  # clear 0x1000 to 0x4000
    "c70600100320 c70600200330 c606003083",  # map the first two megabytes to themselves
    "66b800100000 0f22d8",  # cr3 = 0x1000
    "66b820000000 0f22e0",  # cr4: PAE
    "66b9800000c0 0f32 0d0001 0f30",  # EFER: long mode
    "0f20c0 660d01000080 0f22c0",  # cr0: protection and paging
    "660f0116d07c ea667c0800",  # lgdt 0x7cd0; jmp 8:0x7c66
    # 64-bit mode, at 0x7c66.
    "b810000000 8ed8 8ec0 8ed0",  # ds, es, ss = 16
    "b801000000 0fa2 f7c100200000",  # cpuid 1: is there cmpxchg16b?
    "bf00400000 be00000200 7419",  # rdi = 0x4000; 131,072 times; without it on to the text
    "488b07 488b5708 488d5801 4889d1",  # rdx:rax = what is there, rcx:rbx = one more
    "f0480fc70f 7515 ffce 75e7",  # lock cmpxchg16b (rdi); unlike: halt; next
    "bed67c0000",  # rsi = the text, at 0x7cd6
    "ac 84c0 7407 66baf803 ee ebf4",  # each byte to port 0x3f8, until a zero
    "f4 ebfd",  # hlt, for ever
    "90",
    # Descriptors at 0x7cb8: none, 64-bit code, data; their table's limit and address.
    "0000000000000000 00000000009a2000 0000000000920000",
    "1700 b87c0000",
)


def write_proof_disk() -> bytes:
    """A disk of one mebibyte whose boot sector writes PROOF_TEXT to the first serial port."""
    code = bytes.fromhex(" ".join(_CODE)) + PROOF_TEXT + b"\r\n\x00"
    return code.ljust(510, b"\x00") + b"\x55\xaa" + bytes(DISK_BYTES - 512)
