"""Drivers that fail in every way a driver can: each gets a clear verdict, and the bench survives.

The one idea: a driver file is made of a good polled driver with one thing put in its place, so that
the line that is to be named is known. The run happens through the command line, in this process
where that can be, in one of its own where the driver may take the process down with it.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.driver_trial import GOOD, METHODS, Trial, replaced


@pytest.fixture
def trial(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Trial:
    """Return a folder for a driver and a scenario."""
    return Trial(tmp_path, capsys)


def only_finding(outcome: dict[str, Any]) -> dict[str, Any]:
    """Return the finding of an outcome that has one."""
    (found,) = outcome["findings"]
    assert isinstance(found, dict)
    return found


def test_the_good_one_is_clean(trial: Trial) -> None:
    """The driver that all others are made of is clean, so what follows is about what was put in."""
    outcome = trial.json(trial.with_code(GOOD), 0)
    assert outcome["findings"] == []
    assert outcome["measures"]["bytes_returned"] == 4


# While it is imported.


@pytest.mark.parametrize(
    ("code", "text", "said"),
    [
        ("class Gauge:\n  def open(self:\n", "def open", "SyntaxError"),
        ("x = 1\nraise ValueError('at import')\n", "raise", "ValueError: at import"),
        ("import no_such_module_of_ours\n", "import", "No module named 'no_such_module_of_ours'"),
        ("from emu import NoSuchThing\n", "from", "cannot import name 'NoSuchThing'"),
        ("import sys\nsys.exit(3)\n", "exit", "SystemExit: 3"),
        ("x = 1\ny = x / 0\n", "/ 0", "ZeroDivisionError"),
        ("def deeper():\n    deeper()\ndeeper()\n", "    deeper()", "RecursionError"),
        ("eval('1 +')\n", "eval", "SyntaxError"),
        ("class Bad(Exception):\n  def __str__(self):\n    return 1/0\nraise Bad\n",
         "raise Bad", "its text cannot be had"),
    ],
)  # fmt: skip
def test_a_file_that_does_not_import(trial: Trial, code: str, text: str, said: str) -> None:
    """Code that fails when imported is a finding at its own line, with what went wrong."""
    outcome = trial.json(trial.with_code(code))
    found = only_finding(outcome)
    assert (found["rule"], found["file"]) == ("driver-raised", str(trial.file))
    assert found["line"] == trial.line_of(text)
    assert found["message"].startswith("importing the driver failed: ")
    assert said in found["message"]
    assert said in outcome["ended"]


@pytest.mark.slow
def test_an_endless_import(trial: Trial) -> None:
    """A loop for ever at import is ended at its line."""
    found = only_finding(trial.json(trial.with_code("x = 0\nwhile True:\n    x += 1\n")))
    assert found["rule"] == "spinning"
    assert found["file"] == str(trial.file)
    assert found["line"] in {2, 3}


def test_a_file_that_is_no_text(trial: Trial) -> None:
    """A file that is not Python at all is a finding about the file."""
    driver = trial.with_code("")
    trial.file.write_bytes(b"\x7fELF\x00\xff\xfe")
    found = only_finding(trial.json(driver))
    assert (found["rule"], found["file"]) == ("driver-raised", str(trial.file))


# naming


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("{file}:Gauges", "did you mean '{file}:Gauge'?"),
        ("{file}:helper", "has no class 'helper'"),
        ("{file}:number", "has no class 'number'"),
        ("{folder}/gauges.py:Gauge", "did you mean '{file}:Gauge'?"),
        ("{file}", "path/to/file.py:Class or package.module:Class"),
        ("{file}:", "path/to/file.py:Class or package.module:Class"),
        (":Gauge", "path/to/file.py:Class or package.module:Class"),
        ("{file}:Ga uge", "path/to/file.py:Class or package.module:Class"),
        ("no.such.module:Gauge", "no module 'no.such.module'"),
        ("json.no_such:Gauge", "no module 'json.no_such'"),
        ("json:Gauge", "json has no class 'Gauge'"),
        ("{folder}:Gauge", ""),
        ("..:Gauge", ""),
        ("a..b:Gauge", ""),
    ],
)
def test_a_name_that_leads_nowhere(trial: Trial, name: str, said: str) -> None:
    """A driver's name that leads nowhere is bad input: exit 2, one message, the nearest name."""
    trial.with_code(GOOD + "\n\ndef helper():\n    pass\n\nnumber = 3\n")
    name = name.format(file=trial.file, folder=trial.file.parent)
    out, err = trial.text(name, 2)
    assert out == ""
    assert said.format(file=trial.file) in err
    assert err.count("\n") == 1


def test_a_module_by_its_name(trial: Trial) -> None:
    """A driver may be named by module, as long as Python finds it."""
    trial.json("drivers_example.polled:PolledDriver", 0)


# lacking


@pytest.mark.parametrize("method", ["open", "close", "write", "read", "drain"])
def test_a_method_is_missing(trial: Trial, method: str) -> None:
    """A class without one of the five methods is told so, at the class."""
    driver = trial.with_code(GOOD.replace(f"def {method}(", f"def {method}_it("))
    found = only_finding(trial.json(driver))
    assert (found["rule"], found["line"]) == ("driver-incomplete", trial.line_of("class Gauge"))
    assert found["message"] == f"class Gauge lacks {method}()"


def test_an_empty_class(trial: Trial) -> None:
    """A class without anything lacks everything, in one finding."""
    found = only_finding(trial.json(trial.with_code("class Gauge:\n    pass\n")))
    assert found["message"] == "class Gauge lacks open(), close(), write(), read(), drain()"
    assert found["line"] == 1


@pytest.mark.parametrize(
    "line", ["self.count = 0", "self.errors = {}", "self.errors = None", "self.errors = [0] * 4"]
)
def test_no_counters(trial: Trial, line: str) -> None:
    """A driver without counters is told which are missing."""
    driver = trial.with_code(
        GOOD.replace("self.errors = LineErrors()", line).replace(
            "self.errors.overrun += found >> 1 & 1", "pass"
        )
    )
    found = only_finding(trial.json(driver))
    assert found["rule"] == "driver-incomplete"
    assert "no count of overrun, parity, framing, breaks" in found["message"]


def test_counters_that_raise(trial: Trial) -> None:
    """Counters that raise when looked at are as good as none, and no error of ours."""
    code = GOOD.replace("        self.errors = LineErrors()\n", "").replace(
        "        self.errors.overrun += found >> 1 & 1\n", ""
    )
    driver = trial.with_code(
        code + "\n    @property\n    def errors(self):\n        return 1 / 0\n"
    )
    assert only_finding(trial.json(driver))["rule"] == "driver-incomplete"


@pytest.mark.parametrize("head", ["(self)", "(self, io)", "(self, io, cpu, board)"])
def test_a_constructor_with_other_arguments(trial: Trial, head: str) -> None:
    """A constructor that does not take io and cpu is told so at its line."""
    driver = trial.with_code(GOOD.replace("__init__(self, io, cpu)", f"__init__{head}"))
    found = only_finding(trial.json(driver))
    assert found["rule"] == "driver-raised"
    assert found["message"].startswith("__init__ raised TypeError: ")
    assert found["line"] in {trial.line_of("class Gauge"), trial.line_of("def __init__")}


# raising


@pytest.mark.parametrize("method", list(METHODS))
@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("ValueError('wrong tide')", "raised ValueError: wrong tide"),
        ("KeyError", "raised KeyError: no message"),
        ("GeneratorExit", "raised GeneratorExit: no message"),
        ("ValueError('a\\x1b[31m\\nb' * 500)", "raised ValueError: a?[31m b"),
    ],
)
def test_raising(trial: Trial, method: str, what: str, said: str) -> None:
    """An exception out of any method is a finding at the line that raised it."""
    found = only_finding(trial.json(trial.with_method(method, f"x = 1\nraise {what}")))
    assert (found["rule"], found["file"]) == ("driver-raised", str(trial.file))
    assert found["line"] == trial.line_of("raise ")
    assert found["message"].startswith(f"{method} {said}")
    assert len(found["message"]) < 300


@pytest.mark.parametrize("method", list(METHODS))
def test_leaving(trial: Trial, method: str) -> None:
    """A driver that tries to end the program is told so; the verdict comes all the same."""
    driver = trial.with_method(method, "import sys\nsys.exit(0)")
    found = only_finding(trial.json(driver))
    assert (found["rule"], found["line"]) == ("driver-exited", trial.line_of("sys.exit"))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("self.io.read8(0x900000)", "BusError"),
        ("self.io.read8(-1)", "Error"),
        ("self.io.write8(0, 256)", "Error"),
        ("self.io.write8(0, 'a')", "Error"),
        ("self.io.read64(0)", "Error"),
        ("self.cpu.sleep(-1)", "AccessError"),
        ("self.cpu.connect(99, print)", "AccessError"),
        ("self.cpu.connect(self.io.irq, 3)", "AccessError"),
        ("self.cpu.disconnect(self.io.irq)", "AccessError"),
        ("self.cpu.work(-1)", "AccessError"),
    ],
)
def test_misuse_of_the_bench(trial: Trial, line: str, said: str) -> None:
    """A call of the bench with a value that it cannot take is a finding at the driver's line."""
    outcome = trial.json(trial.with_method("drain", f"{line}\nreturn True"))
    raised = [one for one in outcome["findings"] if one["rule"] == "driver-raised"]
    assert raised or outcome["findings"]
    for found in raised:
        assert said in found["message"]
        assert found["line"] == trial.line_of(line)


HANDLER = """
self.cpu.connect(self.io.irq, self.handle)
self.io.write8(1 * self.step, 0x02)
return True

    def handle(self):
        {line}
"""


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ("raise ValueError('in the handler')", "driver-raised"),
        ("raise SystemExit", "driver-exited"),
        ("return None", "handler-left-line-asserted"),
        ("self.cpu.sleep(1e-6)", "blocking-call-in-handler"),
    ],
)
def test_a_handler_that_fails(trial: Trial, line: str, rule: str) -> None:
    """What a handler does wrong is found at the handler's line."""
    body = HANDLER.format(line=line).strip("\n").replace("\n    def", "\n\n    def", 0)
    code = replaced("drain", body.partition("\n\n")[0])
    driver = trial.with_code(code + f"\n    def handle(self):\n        {line}  # here\n")
    outcome = trial.json(driver)
    rules = {one["rule"]: one for one in outcome["findings"]}
    assert rule in rules
    assert rules[rule]["file"] == str(trial.file)
    assert rules[rule]["line"] in {trial.line_of("# here"), trial.line_of("def handle")}


def test_a_handler_with_an_argument(trial: Trial) -> None:
    """A handler that wants an argument is a finding, not an error of ours."""
    code = replaced("drain", HANDLER.strip("\n").partition("\n\n")[0])
    driver = trial.with_code(code + "\n    def handle(self, irq):\n        pass\n")
    found = trial.json(driver)["findings"][0]
    assert found["rule"] == "driver-raised"
    assert "TypeError" in found["message"]


# never coming back


@pytest.mark.parametrize("method", list(METHODS))
@pytest.mark.slow
def test_spinning(trial: Trial, method: str) -> None:
    """A loop that never touches the bench is ended by the clock on the wall, at its line."""
    found = only_finding(trial.json(trial.with_method(method, "while True:\n    pass  # here")))
    assert (found["rule"], found["file"]) == ("spinning", str(trial.file))
    assert found["line"] in {trial.line_of("# here"), trial.line_of("# here") - 1}


@pytest.mark.parametrize("method", ["open", "close", "write", "read", "drain"])
@pytest.mark.parametrize(
    "line",
    ["self.io.read8(5 * self.step)", "self.cpu.sleep(1e-3)", "self.cpu.work(1000)",
     "self.cpu.time()", "self.cpu.wait_for_interrupt(0.001)"],
)  # fmt: skip
@pytest.mark.slow
def test_looping_on_the_bench(trial: Trial, method: str, line: str) -> None:
    """A loop for ever that touches the bench is ended long after the call's time, at its line."""
    outcome = trial.json(trial.with_method(method, f"while True:\n    {line}  # here"))
    found = outcome["findings"][0]
    assert found["rule"] in {"call-overdue", "endless-poll"}
    assert found["line"] == trial.line_of("# here")
    broken = [one["promise"] for one in outcome["contract"] if not one["kept"]]
    assert "time" in broken


def test_sleeping_for_ever(trial: Trial) -> None:
    """A sleep that nothing can end is told so at once."""
    driver = trial.with_method("drain", "self.cpu.sleep(1)\nself.cpu.wait_for_interrupt()")
    found = trial.json(driver)["findings"][0]
    assert found["rule"] in {"asleep-for-ever", "call-overdue"}


def test_recursion(trial: Trial) -> None:
    """Endless recursion is a finding in the driver."""
    found = only_finding(trial.json(trial.with_method("read", "return self.read(size, timeout)")))
    assert (found["rule"], found["line"]) == ("driver-raised", trial.line_of("self.read(size"))
    assert "RecursionError" in found["message"]


@pytest.mark.parametrize("what", ["Exception", "BaseException"])
@pytest.mark.slow
def test_swallowing_what_ends_the_run(trial: Trial, what: str) -> None:
    """A loop that swallows everything raised in it is ended all the same, with a verdict."""
    body = f"while True:\n    try:\n        self.io.read8(0)\n    except {what}:\n        pass"
    done = trial.apart(trial.with_method("read", body), "--json")
    assert done.returncode == 1, done.stderr
    outcome = json.loads(done.stdout)
    assert outcome["verdict"] == "failed"
    assert outcome["findings"][0]["file"] == str(trial.file)
    assert "Traceback" not in done.stderr


@pytest.mark.slow
def test_swallowing_while_spinning(trial: Trial) -> None:
    """A driver that cannot be stopped from inside gets its verdict from the last resort."""
    body = (
        "while True:\n    try:\n        while True:\n            pass\n"
        "    except BaseException:\n        pass"
    )
    driver = trial.with_method("read", body)
    for option in ("--json", ""):
        done = trial.apart(driver, *([option] if option else []))
        assert done.returncode == 1, done.stderr
        assert "spinning" in done.stdout
        assert "Traceback" not in done.stderr
        if option:
            assert json.loads(done.stdout)["verdict"] == "failed"


# What it returns.


@pytest.mark.parametrize(
    ("method", "value", "said"),
    [
        ("write", "None", "None (NoneType); allowed: an int from 0 to 4"),
        ("write", "-1", "-1 (int); allowed: an int from 0 to 4"),
        ("write", "5", "5 (int); allowed: an int from 0 to 4"),
        ("write", "True", "True (bool); allowed: an int from 0 to 4"),
        ("write", "4.0", "4.0 (float); allowed: an int from 0 to 4"),
        ("read", "None", "None (NoneType); allowed: bytes, at most 4"),
        ("read", "'tide'", "'tide' (str); allowed: bytes, at most 4"),
        ("read", "[1, 2]", "[1, 2] (list); allowed: bytes, at most 4"),
        ("read", "(byte for byte in b'tide')", "(generator); allowed: bytes, at most 4"),
        ("read", "b'tides'", "allowed: at most the 4 bytes asked for, not 5"),
        ("drain", "None", "None (NoneType); allowed: True or False"),
        ("drain", "1", "1 (int); allowed: True or False"),
        ("drain", "Odd()", "its text cannot be had"),
    ],
)
def test_returning_something_else(trial: Trial, method: str, value: str, said: str) -> None:
    """A value that the protocol does not allow is named with its type and what is allowed."""
    code = replaced(method, f"return {value}")
    odd = "\n\nclass Odd:\n    def __repr__(self):\n        raise ValueError\n"
    found = only_finding(trial.json(trial.with_code(code + odd)))
    assert (found["rule"], found["file"]) == ("bad-return-value", str(trial.file))
    assert found["line"] == trial.line_of(f"def {method}(")
    assert said in found["message"]


def test_a_generator_function(trial: Trial) -> None:
    """A read that yields instead of returning gives a generator, which is no bytes."""
    found = only_finding(trial.json(trial.with_method("read", "yield b'tide'")))
    assert "(generator); allowed: bytes" in found["message"]


def test_a_bytearray_will_do(trial: Trial) -> None:
    """A bytearray is as good as bytes."""
    code = GOOD.replace(
        "                return found\n", "                return bytearray(found)\n"
    )
    trial.json(trial.with_code(code), 0)


@pytest.mark.parametrize("value", ["b''", "b'x' * size"])
def test_a_read_that_never_waits(trial: Trial, value: str) -> None:
    """A read that answers at once, with nothing or for ever with something, holds up nobody."""
    outcome = trial.json(trial.with_method("read", f"return {value}"))
    broken = {one["promise"] for one in outcome["contract"] if not one["kept"]}
    assert broken == ({"loss"} if value == "b''" else {"order"})


def test_a_write_that_takes_nothing(trial: Trial) -> None:
    """A write that never accepts anything ends the step, and breaks no promise by itself."""
    outcome = trial.json(trial.with_method("write", "return 0"), 0)
    assert outcome["steps"][1]["text"] == "0 of 4 bytes accepted, 0 of 4 received"


# printing


@pytest.mark.parametrize("as_json", [True, False])
def test_printing(trial: Trial, *, as_json: bool) -> None:
    """What a driver prints is kept out of the verdict's way and shown in short."""
    body = (
        "import sys\nprint('{\"verdict\": \"mine\"}' * 3000)\nsys.stdout.buffer.write(b'\\xff')\n"
        "sys.stdout.flush()\nprint('more', flush=True)\nself.drain(1.0)\nself.io.write8(4, 0)"
    )
    driver = trial.with_code(replaced("close", body).replace("self.io.write8(4, 0)",
        "self.io.write8(1 * self.step, 0)"))  # fmt: skip
    if as_json:
        outcome = trial.json(driver, 0)
        assert outcome["printed"].startswith('{"verdict": "mine"}')
        assert "characters more" in outcome["printed"]
    else:
        out, _ = trial.text(driver, 0)
        assert "The driver printed" in out
        assert all(len(line) <= 100 for line in out.splitlines())


@pytest.mark.parametrize("what", ["'\\n\\n'", "''", "'\\x1b[2J'", "'\\udc80'", "None"])
def test_printing_odd_things(trial: Trial, what: str) -> None:
    """Empty lines, control characters and lone surrogates do not get through to the terminal."""
    driver = trial.with_code(GOOD.replace("        self.drain(1.0)\n",
        f"        print({what})\n        self.drain(1.0)\n"))  # fmt: skip
    out, _ = trial.text(driver, 0)
    assert "\x1b" not in out
    out.encode()


def test_writing_no_text(trial: Trial) -> None:
    """Writing bytes as text to standard output fails as it does anywhere."""
    driver = trial.with_method("drain", "import sys\nsys.stdout.write(b'x')\nreturn True")
    found = only_finding(trial.json(driver))
    assert "TypeError: write() argument must be str, not bytes" in found["message"]


# several at once, in a process of its own


@pytest.mark.slow
def test_from_the_shell(trial: Trial) -> None:
    """The whole way through a process: verdict, place and promise on the screen, exit 1."""
    done = trial.apart(trial.with_method("read", "raise ValueError('wrong tide')"))
    assert done.returncode == 1
    assert done.stderr == ""
    assert "FAILED   1 finding, " in done.stdout
    assert f"{trial.file}:{trial.line_of('raise')}" in done.stdout
    assert "read raised ValueError: wrong tide" in done.stdout
    assert all(len(line) <= 100 for line in done.stdout.splitlines())


def test_names_of_our_own_do_not_leak(trial: Trial) -> None:
    """A driver beside a file that is called like one of ours gets its own."""
    (trial.file.parent / "harbour.py").write_text("LEVEL = 4\n", encoding="utf-8")
    before = set(sys.path)
    trial.json(trial.with_code("from harbour import LEVEL\n" + GOOD), 0)
    assert set(sys.path) == before
    sys.modules.pop("harbour")
