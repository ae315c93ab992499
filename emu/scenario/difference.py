"""How many characters, and how two rows of bytes differ, in words for the details of a promise."""

from __future__ import annotations

__all__ = ["characters", "differ", "times"]


def times(count: int) -> str:
    """Say how often something happened."""
    return {0: "never", 1: "once"}.get(count, f"{count} times")


def characters(count: int) -> str:
    """Begin a sentence about `count` characters."""
    return {0: "no character was", 1: "1 character was"}.get(count, f"{count} characters were")


def differ(wanted: bytes, found: bytes) -> str:
    """Say how two byte streams differ, at the first place."""
    for index, (want, have) in enumerate(zip(wanted, found, strict=False)):
        if want != have:
            return f"byte {index} should be {want:#04x} and is {have:#04x}"
    if len(found) < len(wanted):
        missing = len(wanted) - len(found)
        return f"{missing} of {len(wanted)} accepted bytes are missing at the end"
    return f"{len(found) - len(wanted)} bytes more than the {len(wanted)} accepted"
