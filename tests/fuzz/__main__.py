"""Fuzz what reads from outside: `python -m tests.fuzz [SUBJECT ...] [--count N] [--seed N]`.

    python -m tests.fuzz                             2,000 inputs for each subject
    python -m tests.fuzz --count 100000              the campaign
    python -m tests.fuzz door --seed 7 --number 123  that one input again, printed whole

Subjects: config (a rig's file), job (a job's file), door (a line at the local door), mqtt (a command message), scale
(bytes of the serial scale), journal (a spoilt database and its log). Half of the inputs are made by a grammar, half by
spoiling valid ones (`spoil`); the number of an input and the seed say all of it. What is asked of each is in `engine`
and in its subject's `check` (`subjects`). An input that fails is made smaller and printed.

Exit status 0: all inputs were dealt with as they should be. 1: one was not.
"""

import argparse
import sys

from tests.fuzz.engine import input_of, judge, run, smaller
from tests.fuzz.subjects import SUBJECTS

COUNT = 2_000


def shown(given):
    """An input as it can be pasted into a test."""
    text = repr(given)
    return text if len(text) < 2_000 else f"{text[:2_000]} ... ({len(given)} pieces)"


def fuzzed(name, count, seed):
    """Fuzz one subject; whether all was well."""
    with SUBJECTS[name]() as subject:
        totals = run(subject, count, seed, tell=lambda line: print(line, flush=True))
        outcomes = ", ".join(f"{word} {times}" for word, times in sorted(totals.outcomes.items()))
        failed = sum(times for *_, times in totals.failures.values())
        most = f"{totals.peak / 1e6:.2f} of {subject.most_bytes / 1e6:.0f} MB"
        print(f"{name}: {totals.inputs} inputs, {failed} failures ({outcomes})", flush=True)
        print(f"  slowest {totals.slowest_s:.3f} s, most memory {most}", flush=True)
        for number, wrong, times in totals.failures.values():
            small = smaller(subject, input_of(subject, seed, number), wrong)
            print(
                f"  {times} x {wrong}\n  python -m tests.fuzz {name} --seed {seed} --number {number}\n  {shown(small)}"
            )
    return not totals.failures


def again(name, seed, number):
    """Judge one input again and print it; whether all was well."""
    with SUBJECTS[name]() as subject:
        given = input_of(subject, seed, number)
        print(repr(given))
        totals = run(subject, 1, seed, number)
        made = judge(subject, given)
        for _, wrong, _ in totals.failures.values():
            print(f"{wrong}\nsmaller: {shown(smaller(subject, given, wrong))}")
        print(f"{made.outcome or 'failed'}: {made.took_s:.3f} s, {totals.peak} bytes")
    return not totals.failures


def main():
    parser = argparse.ArgumentParser(
        prog="python -m tests.fuzz", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("subject", nargs="*", help=f"of {', '.join(SUBJECTS)}; all if not given")
    parser.add_argument("--count", type=int, default=COUNT, help=f"inputs for each subject ({COUNT})")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--number", type=int, help="only the input of this number, again")
    asked = parser.parse_args()
    names = asked.subject or list(SUBJECTS)
    for name in names:
        if name not in SUBJECTS:
            parser.error(f'there is no subject "{name}"; write one of {", ".join(SUBJECTS)}.')
    if asked.number is not None:
        well = [again(name, asked.seed, asked.number) for name in names]
    else:
        well = [fuzzed(name, asked.count, asked.seed) for name in names]
    return int(not all(well))


if __name__ == "__main__":
    sys.exit(main())
