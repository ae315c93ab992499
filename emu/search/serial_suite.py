"""What a serial driver is tried with: settings, boards, starts, traffic, faults, timings.

The one idea: all bouts play at the tide gauge's serial port, and hold nothing against a driver that
the contract does not.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emu.search.bout import Bout

__all__ = ["serial_suite"]

_TEXT = "tide 3.21 m\r\n"
_PORT = "telemetry"
_LONG_RUNS = 600
_HIGH_CLOCK = "14.7456 MHz"
_SLOW_CPU = {"clock": "4 MHz"}  # waits and loops without end cost fewer accesses
_LESSER_CPU = {"clock": "16 MHz"}


def serial_suite() -> list[Bout]:
    """Return all bouts for a serial driver, in the order in which they are tried."""
    plain = [
        *_settings(),
        *_boards(),
        *_starts(),
        *_traffic(),
        *_invited(),
        *_waiting(),
        *_disturbed(),
        *_troubled(),
    ]
    return [
        *(Bout(one) for one in plain),
        *(Bout(one) for one in _faults()),
        *(Bout(one) for one in _flooded()),
        *(Bout(one, hunted=True) for one in _hunted()),
        *(Bout(one, hunted=True, most=_LONG_RUNS) for one in _long_hunted()),
    ]


def _body(title: str, *steps: Any, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    """Return a scenario at 115200 8N1 with an echoing far end, unless `more` says otherwise."""
    board = more.pop("board", None) or _board()
    body = {"scenario": title, "board": board, "line": "115200 8N1", "far_end": "echo"}
    return {**body, **more, "do": list(steps)}


def _board(**device: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    bus = {"endian": device.pop("endian")} if "endian" in device else {}
    cpu = device.pop("cpu", {})
    lines = {"interrupts": {5: {"trigger": device.pop("trigger")}}} if "trigger" in device else {}
    telemetry = {
        "kind": "uart16550", "at": 0x4000_1000, "stride": 4, "access": [8, 32], "irq": 5,
        "clock": "1.8432 MHz", "fifo": 16,
    }  # fmt: skip
    board: dict[str, Any] = {"name": "tide gauge", "devices": {_PORT: {**telemetry, **device}}}
    return board | ({"bus": bus} if bus else {}) | ({"cpu": cpu} if cpu else {}) | lines


def _exchange(data: Any = _TEXT, count: int = len(_TEXT), **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    return {"exchange": {"send": data, "receive": count}, **more}


# plain bouts


def _settings() -> Iterator[dict[str, Any]]:
    """Every frame format and rate that asks for something else of LCR and the divisor."""
    yield _body("one message each way", "open", _exchange(), "drain", "close")
    for line in ("9600 7E1", "57600 8O2", "38400 7M1", "19200 8S1", "1200 8N1", "50 8N1"):
        short = line.startswith("50 ")
        data, count = ("ok", 2) if short else (_TEXT, len(_TEXT))
        yield _body(f"one message each way at {line}", "open", _exchange(data, count), line=line)
    for line in ("9600 7E1", "300 7E2"):
        yield _body(
            f"closed at once at {line}", "open", {"send": "3.21"}, line=line, far_end="sink"
        )
    small = {"hex": "01 0a 15 1f 00"}
    yield _body("five data bits", "open", _exchange(small, 5), line="19200 5N1.5")
    yield _body(
        "other settings between two messages", "open", _exchange(), {"line": "9600 7E1"},
        _exchange(), {"line": "57600 8O2"}, _exchange(),
    )  # fmt: skip


def _boards() -> Iterator[dict[str, Any]]:
    """FIFO depths, strides, widths, byte order and clocks."""
    block = {"count": 96}
    for fifo in (0, 64):
        line = "115200 8N1" if fifo else "9600 8N1"
        yield _body(
            f"a controller with {fifo} bytes of FIFO", "open", _exchange(block, 96),
            board=_board(fifo=fifo), line=line,
        )  # fmt: skip
    for stride in (1, 2, 8):
        access = [8]
        board = _board(stride=stride, access=access)
        yield _body(f"registers {stride} apart", "open", _exchange(), board=board)
    yield _body("a big-endian bus", "open", _exchange(), board=_board(endian="big"))
    fast = _board(clock=_HIGH_CLOCK)
    yield _body("a fast clock", "open", _exchange(block, 96), board=fast, line="230400 8N1")
    slow = _board(clock=_HIGH_CLOCK)
    yield _body("a large divisor", "open", _exchange("ok", 2), board=slow, line="300 8N1")
    odd = _board(clock="20 MHz")
    yield _body("a clock that no baud rate divides", "open", _exchange(), board=odd)
    tight = _board(clock="1.8 MHz")
    yield _body(
        "a divisor that must be rounded", "open", _exchange(), board=tight, line="19200 8N1"
    )


def _starts() -> Iterator[dict[str, Any]]:
    """States in which the device may be found, and ways to open and close."""
    found = {
        "in the divisor bank": {"LCR": 0x83, "IER": 0x00, "MCR": 0x00},
        "in loopback": {"LCR": 0x03, "MCR": 0x1B, "FCR": 0x00},
        "holding a break": {"LCR": 0x43},
        "with all interrupts on": {"IER": 0x0F, "MCR": 0x0B, "FCR": 0x01},
        "at another rate, with unread data": {"FCR": 0xC1, "IER": 0x05, "received": "login: x"},
        "still sending": {"FCR": 0x01, "IER": 0x02, "sending": "> "},
    }
    for state, leftovers in found.items():
        yield _body(f"the device is found {state}", {"leftovers": leftovers}, "open", _exchange())
    unread = {"FCR": 0x00, "IER": 0x05, "received": "b"}
    yield _body("an unread character without FIFO", {"leftovers": unread}, "open", _exchange(),
                board=_board(fifo=0), line="9600 8N1")  # fmt: skip
    for seed in (1, 2, 3, 4):
        faults = [{"kind": "random-state", "target": _PORT}]
        yield _body(f"a random state, number {seed}", "open", _exchange(), faults=faults, seed=seed)
    yield _body("closed and opened again", "open", _exchange(), "reopen", _exchange(), "reopen",
                _exchange(), "close", {"close": "again"})  # fmt: skip
    talking = {"kind": "source", "data": {"count": 120}, "start": "1 ms"}
    yield _body(
        "closed in the middle of traffic", "open", {"wait": "3 ms"}, {"send": _TEXT},
        {"close": "now"}, "open", {"receive": 10}, {"send": _TEXT}, {"close": "now"}, "open",
        far_end=talking,
    )  # fmt: skip
    yield _body(
        "used by somebody else in between", "open", _exchange(), "close",
        {"leftovers": {"LCR": 0x83, "DLL": 0, "FCR": 0x41, "MCR": 0x13, "IER": 0x05,
                       "received": "help\r"}}, "open", _exchange(),
    )  # fmt: skip


def _traffic() -> Iterator[dict[str, Any]]:
    """Bursts, long blocks, both directions, idle time, and nobody who reads."""
    burst = {"kind": "source", "data": {"count": 64}, "start": "1 ms"}
    yield _body("a burst of 64", "open", {"receive": 64}, far_end=burst)
    yield _body("a burst of 64 at FIFO 64", "open", {"receive": 64}, far_end=burst,
                board=_board(fifo=64))  # fmt: skip
    long = {"kind": "source", "data": {"count": 600}, "start": "1 ms"}
    both = {"exchange": {"send": {"count": 600}, "receive": 600}}
    yield _body("600 bytes each way at once", "open", both, far_end=long)
    yield _body("one long block out", "open", {"send": {"count": 1100}, "timeout": "150 ms"},
                "drain", far_end="sink", board=_board(cpu=_SLOW_CPU))  # fmt: skip
    yield _body("a long block out, closed at once", "open", {"send": {"count": 200}}, "close",
                far_end="sink")  # fmt: skip
    yield _body("every byte value", "open", _exchange({"count": 256}, 256))
    yield _body("small pieces", "open", _exchange({"count": 40}, 40, chunk=1))
    for number in (1, 5, 15, 17):
        few = {"kind": "source", "data": {"count": number}, "start": "1 ms"}
        yield _body(f"{number} bytes and then nothing", "open", {"receive": number}, far_end=few)
    gaps = {"kind": "source", "data": {"count": 12}, "start": "1 ms", "gap": "2 ms"}
    yield _body("idle time between characters", "open", {"receive": 12}, far_end=gaps)
    flood = {"kind": "source", "data": {"count": 6000}, "start": "1 ms"}
    yield _body("nobody reads for half a second", "open", {"wait": "530 ms"}, {"receive": "all"},
                far_end=flood)  # fmt: skip


def _invited() -> Iterator[dict[str, Any]]:
    """Far ends that go by RTS: one with a FIFO of its own, and one that answers while open runs.

    A 16550 whose FIFO is full when RTS drops sends 16 more, and the character under way. The first
    fills any buffer of 16 KiB. Half a millisecond before an answer is long: only an open that goes
    on to wait with RTS up meets it. Both begin when RTS rises, so a driver that leaves it down is
    sent nothing, and asked for nothing.
    """
    heeds: dict[str, Any] = {"rts_cts": True, "eager": True}
    much = {
        "kind": "source",
        "data": {"count": 17000},
        "start": "1 ms",
        "flow": {**heeds, "lag": 16},
    }
    yield _body("nobody reads, and the far end heeds RTS", "open", {"wait": "1500 ms"},
                {"receive": "all"}, far_end=much)  # fmt: skip
    prompt = {"kind": "source", "data": {"count": 40}, "start": "500 us", "flow": heeds}
    yield _body("a far end that answers RTS at once", "open", {"receive": "all"},
                far_end=prompt)  # fmt: skip
    busy = {"kind": "sink", "flow": {"rts_cts": True, "buffer": 4, "busy": "2 ms"}}
    yield _body("a far end that is busy now and then", "open", {"send": {"count": 40}}, "drain",
                far_end=busy)  # fmt: skip


def _waiting() -> Iterator[dict[str, Any]]:
    """Time-outs: short, none, and for what never comes."""
    yield _body("nothing ever comes", "open", {"receive": 5, "timeout": "5 ms"}, far_end="sink")
    late = {"kind": "source", "data": {"count": 8}, "start": "6 ms"}
    yield _body("data after the time-out", "open", {"receive": 8, "timeout": "4 ms"},
                {"wait": "6 ms"}, {"receive": 8}, far_end=late)  # fmt: skip
    yield _body("a glance without waiting", "open", {"wait": "5 ms"},
                {"receive": 8, "timeout": "0 s"}, {"receive": 8}, far_end=late,
                board=_board(cpu=_SLOW_CPU))  # fmt: skip
    slow = "1200 8N1"
    yield _body("a write that cannot be done in time", "open",
                {"send": {"count": 60}, "timeout": "20 ms"}, "drain",
                far_end="sink", line=slow)  # fmt: skip
    yield _body("a drain that gives up", "open", {"send": {"count": 30}},
                {"drain": None, "timeout": "5 ms"}, "drain", far_end="sink", line=slow)  # fmt: skip
    yield _body("left alone after a message", "open", {"send": {"count": 70}}, {"wait": "6 ms"},
                {"receive": 2, "timeout": "4 ms"}, {"wait": "6 ms"}, {"send": "3.2"},
                {"wait": "3 ms"}, {"receive": 71}, board=_board(cpu=_SLOW_CPU))  # fmt: skip
    yield _body("without time-outs", "open", {"send": _TEXT, "timeout": "never"},
                {"receive": len(_TEXT), "timeout": "never"},
                {"drain": None, "timeout": "never"})  # fmt: skip


def _disturbed() -> Iterator[dict[str, Any]]:
    """Errors on the line that no fault makes: wrong rate, wrong parity, breaks, noise."""
    text = {"repeat": _TEXT, "times": 3}
    wrong = {"kind": "source", "data": text, "start": "1 ms", "baud_error": "+8 %"}
    yield _body("the far end at the wrong rate", "open", {"receive": "all", "timeout": "20 ms"},
                line="9600 8N1", far_end=wrong)  # fmt: skip
    odd = {"kind": "source", "line": "9600 7O1", "data": "3.21", "start": "1 ms",
           "breaks": [{"at": "20 ms", "length": "2.2 ms"}]}  # fmt: skip
    yield _body("wrong parity, then a break", "open", {"receive": "all", "timeout": "20 ms"},
                {"wait": "10 ms"}, line="9600 7E1", far_end=odd)  # fmt: skip
    noisy = {"kind": "source", "data": {"count": 200}, "start": "1 ms",
             "noise": {"per_second": 1000, "width": "5 us"}}  # fmt: skip
    yield _body("a noisy line", "open", {"receive": "all", "timeout": "20 ms"},
                line="38400 8N1", far_end=noisy, seed=7)  # fmt: skip


def _flooded() -> Iterator[dict[str, Any]]:
    """More than any buffer holds; it takes long, so it comes last."""
    flood = {"kind": "source", "data": {"count": 70_000}, "start": "1 ms"}
    yield _body("nobody reads for six seconds", "open", {"wait": "6100 ms"}, {"receive": "all"},
                far_end=flood)  # fmt: skip


def _troubled() -> Iterator[dict[str, Any]]:
    """Faults at moments at which a driver does something else than moving data."""
    talking = {"kind": "source", "data": {"count": 120}, "start": "100 us"}
    damaged = {"kind": "framing-error", "target": _PORT}
    yield _body(
        "reopened while damaged characters come", "open", {"wait": "1 ms"}, {"close": "now"},
        "open", {"receive": 20}, far_end=talking, faults=[damaged],
    )  # fmt: skip
    away = {"kind": "cpu-masked", "target": "cpu", "from": "250 us", "duration": "900 us"}
    few = {"kind": "source", "data": {"count": 40}, "start": "200 us"}
    yield _body(
        "damaged characters while draining", "open", {"send": {"count": 16}},
        {"drain": None, "timeout": "100 ms"}, {"receive": 40}, far_end=few,
        faults=[damaged, away],
    )  # fmt: skip


# faults


def _faults() -> Iterator[dict[str, Any]]:
    """Every kind of fault, once for a while and some for good, in an exchange both ways."""
    for title, fault in _LASTING:  # at a rate at which who waits looks less often
        yield _body(f"fault: {title}", "open", _exchange({"count": 40}, 40, timeout="30 ms"),
                    faults=[fault], line="9600 8N1", board=_board(cpu=_LESSER_CPU))  # fmt: skip
    for title, *faults in _FAULTS:
        yield _faulty(title, list(faults))
    parity = {"kind": "parity-error", **_ON, "first": 4, "count": 1}
    yield _faulty("a parity error", [parity], line="115200 8E1")


def _faulty(title: str, faults: list[dict[str, Any]], **more: Any) -> dict[str, Any]:  # noqa: ANN401 - file data
    more = {"board": _board(cpu=_LESSER_CPU), **more}
    return _body(
        f"fault: {title}", "open", _exchange({"count": 40}, 40, timeout="30 ms"),
        {"wait": "20 ms"}, _exchange("again\r\n", 7, timeout="30 ms"), "close", "open",
        _exchange("once more\r\n", 11, timeout="30 ms"), faults=faults, **more,
    )  # fmt: skip


_ON = {"target": _PORT}
_IRQ = {"target": f"{_PORT}.irq"}
_LASTING: tuple[tuple[str, dict[str, Any]], ...] = (
    ("TEMT never comes", {"kind": "never-ready", "target": f"{_PORT}.LSR.TEMT"}),
    ("the device is gone for good", {"kind": "all-ones", **_ON, "from": "12 ms"}),
    (
        "DR stuck at 1",
        {"kind": "stuck-field", "target": f"{_PORT}.LSR.DR", "value": 1, "from": "12 ms"},
    ),
)
_FAULTS: tuple[tuple[Any, ...], ...] = (
    ("an overrun", {"kind": "overrun", **_ON, "first": 5, "count": 1}),
    ("a framing error", {"kind": "framing-error", **_ON, "first": 4, "count": 1}),
    ("framing errors in a row", {"kind": "framing-error", **_ON, "first": 2, "count": 6}),
    ("spurious interrupts", {"kind": "spurious-interrupt", **_IRQ, "every": "200 us",
                             "until": "10 ms"}),
    ("a reset in flight", {"kind": "reset-in-flight", **_ON, "from": "1 ms"}),
    ("THRE stuck at 1", {"kind": "stuck-field", "target": f"{_PORT}.LSR.THRE", "value": 1,
                         "from": "1 ms", "until": "3 ms"}),
    ("THRE stuck at 0", {"kind": "never-ready", "target": f"{_PORT}.LSR.THRE"}),
    ("DR comes late", {"kind": "late-ready", "target": f"{_PORT}.LSR.DR", "reads": 3}),
    ("a read of LSR is wrong now and then", {"kind": "flip-on-read", "target": f"{_PORT}.LSR.DR",
                                             "probability": 0.05}),
    ("IIR shows half a FIFO", {"kind": "stuck-field", "target": f"{_PORT}.IIR.FIFO",
                               "value": 2, "until": "2 ms"}),
    ("IIR misread once", {"kind": "flip-on-read", "target": f"{_PORT}.IIR", "first": 3,
                          "count": 1}),
    ("a write to IER is dropped", {"kind": "dropped-write", "target": f"{_PORT}.IER", "first": 2,
                                   "count": 1}),
    ("writes to LCR take their time", {"kind": "write-ignored-while-busy",
                                       "target": f"{_PORT}.LCR", "busy_for": "20 us"}),
    ("one bus error", {"kind": "bus-error", "target": f"{_PORT}.LSR", "first": 9, "count": 1}),
    ("a write to IER that ends in a bus error", {"kind": "bus-error", "target": f"{_PORT}.IER",
                                                 "access": "write", "from": "20 ms", "count": 1}),
    ("bus errors for a while", {"kind": "bus-error", **_ON, "from": "1 ms", "until": "1500 us"}),
    ("the device is gone for a while", {"kind": "all-ones", **_ON, "from": "1 ms",
                                        "until": "2 ms"}),
    ("the device stops", {"kind": "device-stops", **_ON, "from": "1 ms", "until": "3 ms"}),
    ("two overruns", {"kind": "overrun", **_ON, "first": 3, "count": 2}),
    ("a break", {"kind": "break", **_ON, "first": 6, "count": 1}),
    ("glitches", {"kind": "noise", "target": f"{_PORT}.sin", "per_second": 2000, "width": "4 us",
                  "until": "5 ms"}),
    ("a rate that drifts", {"kind": "baud-drift", "target": f"{_PORT}.sin", "to": "+2 %",
                            "over": "5 ms"}),
    ("withdrawn interrupts", {"kind": "withdrawn-interrupt", **_IRQ}),
    ("a lost interrupt", {"kind": "lost-interrupt", **_IRQ, "first": 2, "count": 1}),
    ("late interrupts", {"kind": "delayed-interrupt", **_IRQ, "duration": "300 us"}),
    ("a stuck interrupt line", {"kind": "stuck-interrupt", **_IRQ, "from": "1 ms",
                                "until": "1200 us"}),
    ("a stalled processor", {"kind": "cpu-stalled", "target": "cpu", "from": "1 ms",
                             "duration": "3 ms"}),
    ("masked elsewhere", {"kind": "cpu-masked", "target": "cpu", "from": "1 ms",
                          "duration": "3 ms"}),
)  # fmt: skip


# hunted bouts


def _hunted() -> Iterator[dict[str, Any]]:
    """Short traffic that brings main code and handler together in different ways."""
    yield _body("short writes, echoed", "open", {"send": {"count": 20}, "chunk": 7},
                {"receive": 20, "chunk": 6})  # fmt: skip
    bursts = {"kind": "source", "data": {"count": 24}, "start": "300 us"}
    yield _body("both ways at once", "open", {"exchange": {"send": {"count": 18}, "receive": 24},
                                               "chunk": 6}, far_end=bursts)  # fmt: skip
    yield _body("both ways on an edge-sensed line", "open",
                {"exchange": {"send": {"count": 18}, "receive": 24}, "chunk": 6}, far_end=bursts,
                board=_board(trigger="edge"))  # fmt: skip
    yield _body("a block longer than the FIFO, then closed", "open",
                {"send": {"count": 20}}, "drain", {"send": "k"}, "close",
                far_end="sink")  # fmt: skip
    yield _body("opened, used and opened again", "open", {"send": "abc"}, {"receive": 3},
                "reopen", {"send": "de"}, {"receive": 2})  # fmt: skip
    yield _body("one character at a time", "open", {"send": {"count": 5}, "chunk": 1},
                {"receive": 5, "chunk": 1}, board=_board(fifo=0))  # fmt: skip
    idle = {"kind": "source", "data": {"count": 6}, "start": "400 us", "gap": "700 us"}
    yield _body("characters with idle time between", "open", {"receive": 6, "chunk": 2},
                far_end=idle)  # fmt: skip
    yield _body("drained while the echo comes", "open", {"send": {"count": 18}}, "drain",
                {"receive": 18})  # fmt: skip
    early = {"kind": "source", "data": {"count": 9}, "start": "50 us"}
    yield _body("two messages, then left alone", "open", {"send": {"count": 20}},
                {"wait": "400 us"}, {"receive": 1, "timeout": "0 s"}, {"send": {"count": 5}},
                {"wait": "4 ms"}, {"send": {"count": 18}}, {"wait": "3 ms"}, {"send": "ok"},
                {"wait": "1500 us"}, {"receive": 8}, far_end=early)  # fmt: skip
    yield _body("a glance while a queue leaves", "open", {"send": {"count": 40}},
                {"wait": "300 us"}, {"receive": 1, "timeout": "0 s"}, {"wait": "6 ms"},
                {"receive": 1, "timeout": "1 ms"}, far_end="sink")  # fmt: skip
    yield _body("a drain that gives up, and another", "open", {"send": {"count": 12}},
                {"drain": None, "timeout": "600 us"}, "drain", {"receive": 12})  # fmt: skip


def _long_hunted() -> Iterator[dict[str, Any]]:
    """Longer traffic for what takes a full queue, tried at some of its points only."""
    yield _body("more than can be written in time", "open",
                {"send": {"count": 600}, "timeout": "5 ms"}, far_end="sink")  # fmt: skip
    flood = {"kind": "source", "data": {"count": 300}, "start": "300 us"}
    yield _body("nobody reads for a while", "open", {"wait": "20 ms"}, {"send": "ok"},
                {"receive": "all"}, far_end=flood)  # fmt: skip
