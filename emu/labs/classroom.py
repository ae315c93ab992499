"""A classroom: many learners' files, graded side by side.

The one idea: what was graded is written down at once, with a hash of the file and of the lab, so an
interrupted class goes on where it stopped and a file that has not changed is not graded twice. A
submission that breaks costs its own row and nothing else.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import NamedTuple

import msgspec

from emu.errors import Flaw, InputError
from emu.labs.conduct import MOST_BYTES
from emu.labs.course import names
from emu.labs.grade import STOPPED, Grade, Grader
from emu.labs.keeper import Hold, end_all
from emu.labs.lab import Lab
from emu.labs.load_lab import load_lab
from emu.labs.printable import printable

__all__ = ["BOOK", "HandedIn", "Marked", "Paper", "grade_class", "papers"]

BOOK = ".emu_grades.jsonl"
_NUMBER = re.compile(r"(\d{1,2})(?:[_-](.*))?")
_MOST_BYTES = 2 * MOST_BYTES  # what is longer is refused anyway


@dataclass(frozen=True, slots=True)
class Paper:
    """One file that a learner handed in.

    Args:
        path: where it lies.
        lab: folder of the lab that it is for.
        learner: whose it is.
    """

    path: Path
    lab: Path
    learner: str


class Marked(msgspec.Struct):
    """How one file fared, as it is written down.

    Args:
        learner: whose it is.
        lab: name of the lab.
        path: the file as seen from the folder of the class.
        hash: of the file and of the lab.
        verdict, reason, line, misunderstood, load, seconds: as in `emu.labs.grade.Grade`.
    """

    learner: str
    lab: str
    path: str
    hash: str
    verdict: str
    reason: str
    line: int
    misunderstood: str
    load: float
    seconds: float


class HandedIn(NamedTuple):
    """Hold what lies in the folder of a class.

    Args:
        papers: the files that are for a lab.
        strays: what is to be said of the others.
    """

    papers: list[Paper]
    strays: list[Flaw]


def papers(folder: Path, lab: Path | None = None) -> HandedIn:
    """Return the files of a class.

    The number of a lab stands in the name of the file, or of a folder on the way to it; what else
    stands there names the learner: ``mara/07_two_halves/driver.py``, ``07_mara.py``,
    ``07/mara.py``.

    Args:
        folder: the class's folder.
        lab: folder of the one lab that all files are for; the names tell if it is None.

    Raises:
        InputError: there is no file of which it can be told which lab it is for.
    """
    known = {int(one.name[:2]): one for one in names()}
    found: list[Paper] = []
    flaws: list[Flaw] = []
    for path in sorted(folder.rglob("*.py")):
        parts = tuple(map(_name, path.relative_to(folder).with_suffix("").parts))
        if any(part.startswith((".", "__")) for part in parts):
            continue
        meant, learner = (lab, _learner(parts, None)) if lab else _meant(parts, known)
        if meant is None:
            what = "no number of a lab stands in its name or its folder's"
            fix = "give --lab N if all are for one lab"
            flaws.append(Flaw(_name(str(path)), 0, 0, what, allowed="such as 07_mara.py", fix=fix))
        else:
            found.append(Paper(path, meant, learner))
    if not found:
        raise InputError(flaws or [Flaw(str(folder), 0, 0, "no .py file is there")])
    return HandedIn(found, flaws)


def _name(text: str) -> str:
    """Return a name in one line that can be shown and written."""
    return printable(" ".join(text.split()))


def _meant(parts: tuple[str, ...], known: dict[int, Path]) -> tuple[Path | None, str]:
    """Return the lab that a file is for, by the innermost part that has a number, and whose."""
    for part in reversed(parts):
        match = _NUMBER.fullmatch(part)
        if match and int(match[1]) in known:
            lab = known[int(match[1])]
            return lab, _learner(parts, part if part == lab.name or not match[2] else None)
    return None, ""


def _learner(parts: tuple[str, ...], lab: str | None) -> str:
    """Return the first part of a path that is neither the lab's nor ``driver``."""
    named = [one for one in parts if one not in (lab, "driver")]
    own = [re.sub(r"^\d{1,2}[_-]", "", one) for one in named]
    return own[0] if own else parts[0]


Told = Callable[[Marked, int, int], None]


def grade_class(
    handed_in: list[Paper],
    folder: Path,
    *,
    workers: int = 1,
    again: bool = False,
    limits: Hold | None = None,
    told: Told = lambda _marked, _done, _all: None,
) -> list[Marked]:
    """Grade all files that have changed since they were graded last.

    Args:
        handed_in: the files.
        folder: the class's folder, in which the book is kept.
        workers: how many are graded at once.
        again: whether to grade all of them anew.
        limits: bounds for each.
        told: called with each result, how many are done, and how many there are.

    Raises:
        InputError: the book is no plain file, or cannot be written.

    Side effects: writes the book; starts a process for each file.
    """
    book = _Book(folder / BOOK)
    labs = {one: load_lab(one) for one in sorted({paper.lab for paper in handed_in})}
    tasks = [_Task(paper, labs[paper.lab], folder) for paper in handed_in]
    marked: dict[int, Marked] = {}
    for number, task in enumerate(tasks):
        known = None if again else book.known.get((task.shown, task.hash))
        if (
            known is not None and known.verdict != STOPPED
        ):  # which a busy machine may be to blame for
            marked[number] = task.known(known)
            told(marked[number], len(marked), len(tasks))
    left = [number for number in range(len(tasks)) if number not in marked]
    graders = _Graders(labs, limits)
    for number, result in _at_once(tasks, left, graders, workers):
        marked[number] = result
        book.enter(result)
        told(result, len(marked), len(tasks))
    return [marked[number] for number in range(len(tasks))]


def _is_plain(path: Path) -> bool:
    """Say whether a path is a file of its own: no link to another, no pipe, no device."""
    return path.is_file() and not path.is_symlink()


def _read(path: Path) -> bytes:
    """Return the beginning of a file.

    Raises:
        OSError: it cannot be read, or is no plain file.
    """
    if not _is_plain(path):
        raise OSError("no plain file")
    with path.open("rb") as file:
        return file.read(_MOST_BYTES)


def _why_unread(error: OSError | UnicodeDecodeError) -> str:
    if isinstance(error, UnicodeDecodeError):
        return f"it is no UTF-8 text: byte {error.start} is {error.object[error.start]:#04x}"
    return f"it cannot be read: {error.strerror or error}"


class _Graders:
    """Have one grader for each lab, made when it is first needed, by whoever needs it first."""

    def __init__(self, labs: dict[Path, Lab], limits: Hold | None) -> None:
        self._labs = labs
        self._limits = limits
        self._locks = {lab: Lock() for lab in labs}
        self._made: dict[Path, Grader] = {}

    def of(self, lab: Path) -> Grader:
        """Return the grader of a lab."""
        with self._locks[lab]:
            if lab not in self._made:
                self._made[lab] = Grader(self._labs[lab], self._limits)
            return self._made[lab]


class _Task:
    """A file to grade, with its text."""

    def __init__(self, paper: Paper, lab: Lab, folder: Path) -> None:
        self.paper = paper
        self.shown = _name(paper.path.relative_to(folder).as_posix())
        self.source = self.problem = ""
        data = b""
        try:
            data = _read(paper.path)
            self.source = data.decode()
        except (OSError, UnicodeDecodeError) as error:
            self.problem = _why_unread(error)
        digest = hashlib.blake2b(data, digest_size=8)
        for name in ("lab.yaml", "answers.yaml", "driver.py"):
            digest.update((lab.folder / name).read_bytes())
        self.hash = digest.hexdigest()

    def known(self, one: Marked) -> Marked:
        """Return what was written down of the same text, with whose it is said to be now."""
        return msgspec.structs.replace(one, learner=self.paper.learner, lab=self.paper.lab.name)

    def marked(self, graders: _Graders) -> Marked:
        """Grade it, whatever becomes of that."""
        paper = self.paper
        if self.problem:
            found = Grade(STOPPED, self.problem)
        else:
            found = graders.of(paper.lab).grade(self.source)
        return Marked(
            paper.learner, paper.lab.name, self.shown, self.hash, found.verdict, found.reason,
            found.line, found.misunderstood, round(found.load, 3), round(found.seconds, 2),
        )  # fmt: skip


def _at_once(
    tasks: list[_Task], left: list[int], graders: _Graders, workers: int
) -> Iterator[tuple[int, Marked]]:
    """Grade several at once and yield each as it is done; each has a process of its own anyway."""
    with ThreadPoolExecutor(workers) as pool:
        running: dict[Future[Marked], int] = {}
        waiting = list(reversed(left))
        try:
            while waiting or running:
                while waiting and len(running) < workers:
                    number = waiting.pop()
                    task = tasks[number]
                    running[pool.submit(task.marked, graders)] = number
                for done in wait(running, return_when=FIRST_COMPLETED).done:
                    yield running.pop(done), done.result()
        finally:
            if running:  # nobody waits for them any more
                end_all()


class _Book:
    """What was graded, a line a file; a line that cannot be read counts for nothing."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.known: dict[tuple[str, str], Marked] = {}
        if (path.exists() or path.is_symlink()) and not _is_plain(path):
            raise InputError([Flaw(str(path), 0, 0, "is no plain file", fix="remove it")])
        text = path.read_bytes() if path.exists() else b""
        self._before = b"" if not text or text.endswith(b"\n") else b"\n"  # after an interruption
        for line in text.splitlines():
            try:
                one = msgspec.json.decode(line, type=Marked)
            except msgspec.DecodeError:
                continue
            self.known[one.path, one.hash] = one

    def enter(self, one: Marked) -> None:
        """Write a line at once.

        Raises:
            InputError: it cannot be written.
        """
        try:
            with self._path.open("ab") as file:
                file.write(self._before + msgspec.json.encode(one) + b"\n")
            self._before = b""
        except OSError as error:
            what = f"cannot be written: {error.strerror}"
            raise InputError([Flaw(str(self._path), 0, 0, what)]) from error
