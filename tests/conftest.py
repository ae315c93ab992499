"""What all tests share: reproducible property tests, and the register constants of an OS header.

The one idea: a test run depends on nothing but the source tree. Property tests draw the same
examples every time, keep no database and know no deadline, so a slow machine changes no result.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("same-every-time", derandomize=True, database=None, deadline=None)
settings.load_profile("same-every-time")

ROOT = Path(__file__).resolve().parents[1]
SERIAL_REG_HEADER = Path("/usr/include/linux/serial_reg.h")


@pytest.fixture(scope="session")
def root() -> Path:
    """Return the top folder of the source tree."""
    return ROOT


@pytest.fixture(scope="session")
def serial_reg() -> dict[str, int]:
    """Return the constants of ``linux/serial_reg.h`` (Debian: linux-libc-dev) by name.

    A machine without the header passes such tests by; where CI is ``true`` it is an error, since
    a check that never runs proves nothing.
    """
    if not SERIAL_REG_HEADER.exists():
        message = f"{SERIAL_REG_HEADER} is missing; install linux-libc-dev"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    constant = re.compile(r"^#define\s+(UART_\w+)\s+(0[xX][0-9a-fA-F]+|[0-9]+)\b", re.MULTILINE)
    found = constant.findall(SERIAL_REG_HEADER.read_text(encoding="utf-8"))
    return {name: int(value, 0) for name, value in found}
