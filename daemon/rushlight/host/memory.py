"""Giving memory back to the kernel.  Owns two calls of the C library; never raises.

A snapshot takes a few buffers of half a megabyte among thousands of small objects that stay.  Where the allocator
cuts them from its heap, the holes they leave add up to some megabytes within a year.
"""

from __future__ import annotations

import contextlib
import ctypes

_M_MMAP_THRESHOLD = -3
"""mallopt(3), GNU C library: a buffer of at least so many bytes gets pages of its own, which go when it goes."""
_OWN_PAGES_BYTES = 65_536


def settle() -> None:
    """Once, early in a process that is to run for years: large buffers get pages of their own."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, _OWN_PAGES_BYTES)


def give_back() -> None:
    """Return to the kernel what the allocator holds free: malloc_trim(3) of the GNU C library, elsewhere nothing."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
