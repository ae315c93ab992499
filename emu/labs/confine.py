"""Confine this process before it runs somebody else's code.

The one idea: two walls, neither of which the code can take down from inside Python. The system
bounds time, memory, files and processes; an audit hook, which once added stays, ends the process at
the first try to reach outside. What this does not protect against stands in the README.
"""

from __future__ import annotations

import ctypes
import os
import resource
import sys
import sysconfig
from collections.abc import Callable
from pathlib import Path
from typing import Any

from emu.scenario.answer import plain_bytes, plain_text

__all__ = ["Bounds", "confine"]

Bounds = dict[str, int]
"""``cpu_s``, ``memory_bytes``, ``file_bytes``."""

_NEW_USER, _NEW_NETWORK = 0x1000_0000, 0x4000_0000  # flags of unshare(2)
_TASKS_BESIDE = 64  # that may come into being, the watchdog's threads among them
_OPEN_FILES = 64

_ENDS = {
    "os.exec": "start a program",
    "os.fork": "start a process",
    "os.forkpty": "start a process",
    "os.posix_spawn": "start a program",
    "os.spawn": "start a program",
    "os.startfile": "start a program",
    "os.system": "start a program",
    "pty.spawn": "start a program",
    "subprocess.Popen": "start a program",
    "os.kill": "signal a process",
    "os.killpg": "signal a process",
    "signal.pthread_kill": "signal a thread",
    "sys.addaudithook": "watch the interpreter",
    "resource.setrlimit": "change its bounds",
    "resource.prlimit": "change its bounds",
    "gc.get_objects": "go through the bench's memory",
    "gc.get_referrers": "go through the bench's memory",
    "gc.get_referents": "go through the bench's memory",
    "os.putenv": "change the environment",
    "os.unsetenv": "change the environment",
    **{
        f"os.{name}": "change files"
        for name in ("chflags", "chmod", "chown", "link", "mkdir", "remove", "rename", "rmdir",
                     "symlink", "truncate", "utime")
    },
}  # fmt: skip
_FAMILIES = {"socket": "use the network", "ctypes": "call the system", "shutil": "change files"}
_REACHES = tuple(f"{name}." for name in _FAMILIES)
_LOOKS = {"open", "os.listdir", "os.scandir"}
_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


def confine(
    bounds: Bounds, scratch: Path, private: list[str], ended: Callable[[str], None]
) -> None:
    """Put both walls up, for good.

    Args:
        bounds: what the system is to hold the process to.
        scratch: the folder that it works in.
        private: folders of which nothing may be read.
        ended: called with what was reached for; must end the process.

    Side effects: changes the working folder, the limits and the network of the process.
    """
    os.chdir(scratch)
    _leave_network()
    _limit(bounds)
    readable = [
        *(sysconfig.get_path(name) for name in ("stdlib", "platstdlib", "purelib", "platlib")),
        str(Path(__file__).resolve().parents[1]), str(scratch), *sys.path,
    ]  # fmt: skip
    sys.addaudithook(_hook(_folders(readable), _folders(private), ended))


def _folders(paths: list[str]) -> tuple[str, ...]:
    return tuple(os.path.realpath(one) + os.sep for one in paths if one)


def _leave_network() -> None:
    """Go where there is no network, if the system lets us; the audit hook watches besides."""
    if sys.platform == "linux":
        ctypes.CDLL(None).unshare(_NEW_USER | _NEW_NETWORK)


def _limit(bounds: Bounds) -> None:
    wanted = {
        resource.RLIMIT_AS: bounds["memory_bytes"],
        resource.RLIMIT_CPU: bounds["cpu_s"],
        resource.RLIMIT_FSIZE: bounds["file_bytes"],
        resource.RLIMIT_NOFILE: _OPEN_FILES,
        resource.RLIMIT_CORE: 0,
    }
    if sys.platform == "linux":
        wanted[resource.RLIMIT_NPROC] = _tasks() + _TASKS_BESIDE
    for kind, most in wanted.items():
        _, hard = resource.getrlimit(kind)
        bound = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(kind, (bound, bound + (kind == resource.RLIMIT_CPU)))  # a last second


def _tasks() -> int:
    """Return how many tasks the system has, which is no less than those of this user."""
    try:
        load = Path("/proc/loadavg").read_text(encoding="ascii").split()[3]
        return int(load.partition("/")[2])
    except (OSError, ValueError, IndexError):
        return 1024


def _hook(
    readable: tuple[str, ...], private: tuple[str, ...], ended: Callable[[str], None]
) -> Callable[[str, tuple[Any, ...]], None]:
    harmless: set[str] = {"sys._getframe", "compile", "exec", "import", "marshal.loads"}

    def hook(event: str, arguments: tuple[Any, ...]) -> None:
        if event in harmless:  # the bench itself makes such events by the thousand
            return
        if event in _LOOKS:
            if _forbidden(arguments, readable, private):
                ended(f"open {arguments[0]!r:.80}")
        elif event in _ENDS or event.startswith(_REACHES):
            ended(_ENDS.get(event) or _FAMILIES[event.partition(".")[0]])
        else:
            harmless.add(event)

    return hook


def _forbidden(
    arguments: tuple[Any, ...], readable: tuple[str, ...], private: tuple[str, ...]
) -> bool:
    """Say whether a file may not be opened: for writing, or outside of what may be read."""
    name, *more = arguments
    flags = more[-1] if more else 0
    if not isinstance(name, str | bytes | os.PathLike) or (flags or 0) & _WRITES:
        return True
    text = plain_text(name) or os.fsdecode(plain_bytes(name) or name)
    path = os.path.realpath(text) + os.sep
    return path.startswith(private) or not path.startswith(readable)
