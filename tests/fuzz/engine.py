"""What is asked of every input, whatever reads it, and how one that fails is made smaller.

An input may be refused, by the error that its reader declares and in clear sentences; it may not raise anything else,
take more memory than its subject states, or more than `LONGEST_S` of the processor.
"""

import contextlib
import re
import signal
import threading
import time
import traceback
import tracemalloc
from collections import Counter
from dataclasses import dataclass, field
from random import Random

LONGEST_S = 2.0
"""Processor time that one input may take; some hundred times what a slow one takes, so that no busy machine matters."""
_GIVEN_UP_S = 10.0
LONGEST_SENTENCE = 900
"""Characters; the longest sentences are those that list the keys of a whole table."""
_UNCLEAR = re.compile(
    r"Traceback|\b[A-Z]\w*(?:Error|Exception|Warning)\b|codec can't|NoneType|<class|object at 0x|recursion|unhashable"
    r"|list index|tuple index|not supported between|unpack|positional argument|object is not|surrogates not allowed"
)
"""What only the inside of a program says."""
_TRIES = 300
_SMALLER_S = 5.0
"""Processor time that is spent on making one input smaller."""


class FoundError(Exception):
    """An input was not dealt with as it should be; says in what way."""


class TooLongError(BaseException):
    """An input did not come to an end; no `except Exception` may swallow it."""


def sentence(text, *known):
    """Raise unless a text is one clear sentence; `known` is left out of account: a path, say."""
    for part in known:
        text = text.replace(part, "X")
    if not text.strip():
        raise FoundError("an empty sentence")
    if len(text) > LONGEST_SENTENCE:
        raise FoundError(f"a sentence of {len(text)} characters: {text[:300]} ...")
    if not text.isprintable():
        raise FoundError(f"a sentence with a line break or control character: {text!r}")
    if inside := _UNCLEAR.search(text):
        raise FoundError(f"a sentence from inside the program ({inside[0]}): {text}")


@dataclass
class Judged:
    """What became of one input."""

    outcome: str = ""
    wrong: str = ""
    """"" where all is well."""
    took_s: float = 0.0
    peak: int = 0


@dataclass
class Totals:
    """What became of many."""

    inputs: int = 0
    outcomes: Counter = field(default_factory=Counter)
    failures: dict = field(default_factory=dict)
    """Kind of failure -> number of the first input, what was wrong, how many."""
    slowest_s: float = 0.0
    peak: int = 0


@contextlib.contextmanager
def _bounded():
    """End what does not come to an end by itself, and hear of threads that die."""
    died = []
    heard, threading.excepthook = threading.excepthook, died.append

    def given_up(*_):
        raise TooLongError

    before = signal.signal(signal.SIGPROF, given_up)
    signal.setitimer(signal.ITIMER_PROF, _GIVEN_UP_S)
    try:
        yield died
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)
        threading.excepthook = heard


def judge(subject, given):
    """Hand one input to its subject, and judge."""
    made = Judged()
    tracemalloc.reset_peak()
    before = tracemalloc.get_traced_memory()[0]
    began = time.process_time()
    try:
        with _bounded() as died:
            made.outcome = subject.check(given)
        if died:
            made.wrong = f"a thread ended with {_last(died[0].exc_value)}"
    except FoundError as error:
        made.wrong = str(error)
    except TooLongError:
        made.wrong = f"no end after {_GIVEN_UP_S:.0f} s"
    except Exception as error:
        made.wrong = f"raised {_last(error)}"
    made.took_s = time.process_time() - began
    made.peak = tracemalloc.get_traced_memory()[1] - before
    if not made.wrong and made.took_s > LONGEST_S:
        made.wrong = f"took {made.took_s:.1f} s"
    if not made.wrong and made.peak > subject.most_bytes:
        made.wrong = f"took {made.peak} bytes of memory, and {subject.most_bytes} is the limit"
    return made


def _last(error):
    """An exception in one line, with where it came from."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if "/rigctl/" in frame.filename] or frames
    where = f" at {own[-1].filename.rpartition('/rigctl/')[2]}:{own[-1].lineno}" if own else ""
    return f"{type(error).__name__}{where}: {str(error)[:200]}"


def kind_of(wrong):
    """What failures are counted by: what was wrong without its figures."""
    return re.sub(r"\d+|'.*'|\".*\"", "_", wrong)[:60]


def input_of(subject, seed, number):
    """The input of this number; the same on every machine."""
    return subject.make(Random(f"{subject.name}/{seed}/{number}"))


def run(subject, count, seed, first=0, tell=lambda line: None):
    """Judge `count` inputs, from number `first` on."""
    totals = Totals()
    already = tracemalloc.is_tracing()
    if not already:
        tracemalloc.start()
    try:
        for number in range(first, first + count):
            made = judge(subject, input_of(subject, seed, number))
            totals.inputs += 1
            totals.slowest_s, totals.peak = max(totals.slowest_s, made.took_s), max(totals.peak, made.peak)
            totals.outcomes[made.outcome or "failed"] += 1
            if made.wrong:
                kind = kind_of(made.wrong)
                before = totals.failures.get(kind)
                totals.failures[kind] = (number, made.wrong, 1) if before is None else (*before[:2], before[2] + 1)
                if before is None:
                    tell(f"{subject.name}: seed {seed}, number {number}: {made.wrong}")
    finally:
        if not already:
            tracemalloc.stop()
    return totals


def smaller(subject, given, wrong):
    """The input with pieces left out, as long as it fails in the same way."""
    kind, tries, size = kind_of(wrong), _TRIES, max(1, len(given) // 2)
    until_s = time.process_time() + _SMALLER_S
    already = tracemalloc.is_tracing()
    if not already:
        tracemalloc.start()
    try:
        while size and tries > 0 and time.process_time() < until_s:
            at = 0
            while at < len(given) and tries > 0 and time.process_time() < until_s:
                less = given[:at] + given[at + size :]
                tries -= 1
                if kind_of(judge(subject, less).wrong) == kind:
                    given = less
                else:
                    at += size
            size //= 2
    finally:
        if not already:
            tracemalloc.stop()
    return given
