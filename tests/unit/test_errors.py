"""Errors say four things, keep them apart, and cross a process border whole."""

from __future__ import annotations

import pickle
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context

import pytest

from emu.errors import (
    AccessError,
    DeclarationError,
    EmuError,
    Flaw,
    InputError,
    RunEnded,
    UnitError,
    nearest,
)

FULL = {"where": "gauge.yaml:3:9", "allowed": "1 to 8", "fix": "did you mean 'baud'?"}


def input_error() -> InputError:
    """Make an error with two flaws, one of them about a whole file."""
    return InputError(
        [
            Flaw("harbour.yaml", 4, 7, "unknown key 'bord'", fix="did you mean 'board'?"),
            Flaw("tide.yaml", 0, 0, "is empty", allowed="a mapping"),
        ]
    )


def fail_with(kind: type[EmuError]) -> None:
    """Raise an error of `kind` with all four parts, as a worker process would."""
    raise kind("baud is 0 (int)", **FULL)


def test_text_has_the_four_parts_in_order() -> None:
    """The text runs: where, what, what is allowed, nearest fix."""
    text = str(EmuError("baud is 0 (int)", **FULL))

    assert text == "gauge.yaml:3:9: baud is 0 (int); allowed: 1 to 8; did you mean 'baud'?"


@pytest.mark.parametrize(
    ("parts", "text"),
    [
        ({}, "no answer"),
        ({"where": "modem.LSR"}, "modem.LSR: no answer"),
        ({"allowed": "0 or 1"}, "no answer; allowed: 0 or 1"),
        ({"fix": "reset it first"}, "no answer; reset it first"),
    ],
)
def test_text_leaves_out_what_is_unknown(parts: dict[str, str], text: str) -> None:
    """A part that is empty leaves no empty place or stray mark in the text."""
    assert str(EmuError("no answer", **parts)) == text


def test_parts_are_attributes() -> None:
    """A caller can print or test each part by itself."""
    error = EmuError("baud is 0 (int)", **FULL)

    assert error.what == "baud is 0 (int)"
    assert (error.where, error.allowed, error.fix) == tuple(FULL.values())


@pytest.mark.parametrize("kind", [AccessError, DeclarationError, InputError, UnitError])
def test_all_errors_have_one_root(kind: type[Exception]) -> None:
    """Whoever catches EmuError catches every error of the bench."""
    assert issubclass(kind, EmuError)


def test_a_unit_error_is_a_value_error() -> None:
    """Code that expects a ValueError from a bad quantity gets one."""
    assert issubclass(UnitError, ValueError)


def test_the_end_of_a_run_cannot_be_swallowed() -> None:
    """A driver's ``except Exception`` does not stop the bench from ending its run."""
    assert not issubclass(RunEnded, Exception)


def test_input_error_lists_every_flaw_at_its_place() -> None:
    """The text has one line for each flaw, each with file, line and column where known."""
    assert str(input_error()).splitlines() == [
        "harbour.yaml:4:7: unknown key 'bord'; did you mean 'board'?",
        "tide.yaml: is empty; allowed: a mapping",
    ]


def test_flaws_are_kept_in_the_order_given() -> None:
    """The flaws can be read back one by one, in the order of the file."""
    assert [flaw.line for flaw in input_error().flaws] == [4, 0]


@pytest.mark.parametrize("kind", [EmuError, AccessError, DeclarationError, UnitError])
@pytest.mark.parametrize("protocol", range(2, pickle.HIGHEST_PROTOCOL + 1))
def test_errors_survive_pickling(kind: type[EmuError], protocol: int) -> None:
    """Type, text and parts are the same after a round trip in every usable protocol."""
    error = kind("baud is 0 (int)", **FULL)

    copy = pickle.loads(pickle.dumps(error, protocol))  # noqa: S301 - made one line above

    assert type(copy) is kind
    assert str(copy) == str(error)
    assert vars(copy) == vars(error)
    assert copy.args == error.args


def test_input_error_survives_pickling() -> None:
    """The flaws come through whole, not only their text."""
    copy = pickle.loads(pickle.dumps(input_error()))  # noqa: S301 - made in this line

    assert str(copy) == str(input_error())
    assert [str(flaw) for flaw in copy.flaws] == [str(flaw) for flaw in input_error().flaws]


def test_run_ended_survives_pickling() -> None:
    """The reason and the driver's line reach the process that started the run."""
    ended = RunEnded("unbounded-poll", "nothing can change modem.LSR", file="gauge.py", line=12)

    copy = pickle.loads(pickle.dumps(ended))  # noqa: S301 - made one line above

    assert type(copy) is RunEnded
    assert vars(copy) == vars(ended)
    assert str(copy) == "nothing can change modem.LSR"


@pytest.mark.slow
def test_errors_cross_a_real_process_border() -> None:
    """An error raised in a worker process arrives with its type and all its parts."""
    with ProcessPoolExecutor(1, mp_context=get_context("fork")) as pool:
        future: Future[None] = pool.submit(fail_with, UnitError)
        error = future.exception(timeout=60)

    assert isinstance(error, UnitError)
    assert (error.where, error.allowed, error.fix) == tuple(FULL.values())
    assert error.what == "baud is 0 (int)"


@pytest.mark.parametrize(
    ("word", "hint"),
    [
        ("bord", "did you mean 'board'?"),
        ("BOARD", "did you mean 'board'?"),
        ("driver", "did you mean 'driver'?"),
        ("zzz", "known: board, driver, seed"),
    ],
)
def test_nearest_names_one_word_or_all(word: str, hint: str) -> None:
    """A near miss, in letters or in case only, gets one word; anything else the whole list."""
    assert nearest(word, ["seed", "driver", "board"]) == hint


def test_nearest_prefers_a_difference_in_case_only() -> None:
    """Two words that look alike do not hide the one that differs in nothing but case."""
    assert nearest("MS", ["min", "ms", "Mb"]) == "did you mean 'ms'?"


def test_nearest_does_not_print_a_long_list() -> None:
    """Without a near miss among many words there is no hint rather than a wall of names."""
    assert nearest("zzz", [f"register{index}" for index in range(13)]) == ""


def test_nearest_of_nothing_is_no_hint() -> None:
    """No known words give no hint."""
    assert nearest("board", []) == ""
