"""Prove that behaviour is the same to the bit: `python -m tests.guard BASE [HEAD]`.

    python -m tests.guard main               the working tree as it is, uncommitted changes included, against main
    python -m tests.guard HEAD~3 HEAD        one commit against another
    python -m tests.guard main --quick       about a tenth of the corpus, for use during work
    python -m tests.guard --reach            what of the core the corpus reaches, by line and branch (needs `coverage`)
    python -m tests.guard --reach --moved main    the same for the lines that differ from main

Both sides run the same corpus (`corpus`: with the simulated plant; `wild`: open loop on adversarial readings), and of
every scan a projection (`projection`) goes into digests: `moves` is what moves outputs or is measured, `tells` what
only advises, `sees` the readings that the simulated bench gave, `state` what is carried on (compared while both sides
lay it out the same way). Wording is left out; whether there is any is not. A field that was moved or renamed is one
line in `projection.ALIASES`, a function that was moved one line in `adapter.PLACES`.

Exit status 0: all the same. 1: something differs, and where is printed. 2: they could not be compared.
Results of commits are kept in build/guard/; the working tree is always run.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import msgspec

from tests.guard import reach, trees
from tests.guard.collector import EVERY, MARK_BYTES
from tests.guard.projection import DIGESTS

PROCESSES = 2
NICE = 5
LOOK_INTO = 400_000
"""So many scans are run again, at most, to see what differs; those that differ soonest go first."""
EXAMPLES = 8
"""Names of cases that are printed of a group, and fields of a scan."""


class CannotCompareError(Exception):
    """One of the sides can't be run, or the two can't be held against each other; one sentence."""


# ---- running ---------------------------------------------------------------------------------------------


def start(tree, arguments):
    """Start a collector in an exported tree."""
    environment = dict(os.environ, PYTHONPATH=f"{tree}{os.pathsep}{trees.REPO}", PYTHONHASHSEED="0")
    return subprocess.Popen(
        [sys.executable, "-m", "tests.guard.collector", *map(str, arguments)],
        cwd=tree, env=environment, stderr=subprocess.PIPE, text=True, preexec_fn=lambda: os.nice(NICE),
    )  # fmt: skip


def ended(process):
    """Wait for a collector.

    Raises
    ------
    CannotCompareError
        If it failed.
    """
    _, said = process.communicate()
    if process.returncode:
        raise CannotCompareError(said.strip() or f"a collector ended with status {process.returncode}")


def collected(tree, arguments, processes=PROCESSES):
    """Run the collectors in a tree and put together what they found."""
    if not trees.is_compiled(tree):
        ended(start(tree, ["-", "--warm"]))
        trees.keep_compiled(tree)
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / f"{n}" for n in range(processes)]
        running = [start(tree, [path, "--share", n, processes, *arguments]) for n, path in enumerate(files)]
        failed = []
        for process in running:
            try:
                ended(process)
            except CannotCompareError as error:
                failed.append(error)
        if failed:
            raise failed[0]
        parts = [msgspec.msgpack.decode(path.read_bytes()) for path in files]
    whole = parts[0]
    for part in parts[1:]:
        whole["cases"] |= part["cases"]
        whole["shape"] = whole["shape"] or part["shape"]
    return whole


def corpus_digest():
    """Digest of all of the guard that decides what is run and what is looked at."""
    own = [path for path in Path(__file__).parent.glob("*.py") if path.name not in ("__main__.py", "reach.py")]
    return trees.digest(own, Path(__file__).parent)


def results(revision, which):
    """Run the corpus on a revision (None: the working tree), or find what that gave the last time."""
    tree = trees.exported(revision)
    key = f"{tree.name}-{corpus_digest()}-{sys.implementation.cache_tag}{''.join(which)}"
    kept = trees.CACHE / "results" / key
    if revision is not None and kept.exists():
        return tree, msgspec.msgpack.decode(kept.read_bytes())
    print(f"running {revision or 'the working tree'} ...", file=sys.stderr, flush=True)
    began = time.monotonic()
    whole = collected(tree, which)
    whole["took_s"] = time.monotonic() - began
    kept.parent.mkdir(exist_ok=True)
    kept.write_bytes(msgspec.msgpack.encode(whole))
    return tree, whole


# ---- comparing -------------------------------------------------------------------------------------------


def differing(base, head, digests):
    """Case -> the digests of it that differ."""
    found = {}
    for name, was in base["cases"].items():
        now = head["cases"].get(name)
        if now is None:
            raise CannotCompareError(
                f"the case '{name}' can't be run by the second side: a file in configs is gone; give both sides the "
                "same scenarios, jobs, rigs and set-ups."
            )
        wrong = [one for one in digests if was["digests"][one] != now["digests"][one]]
        if wrong or was["scans"] != now["scans"]:
            found[name] = wrong
    return found


def first_window(was, now):
    """First and last scan of the stretch in which two runs of a case first differ."""
    size = MARK_BYTES * len(DIGESTS)
    most = min(len(was["marks"]), len(now["marks"])) // size
    for n in range(most):
        if was["marks"][n * size : (n + 1) * size] != now["marks"][n * size : (n + 1) * size]:
            return [n * EVERY, (n + 1) * EVERY - 1]
    return [most * EVERY, most * EVERY + EVERY]


def windows(base, head, found, digests):
    """The stretches to look into: case -> [first, last], soonest first, as many as there is time for."""
    chosen, left = {}, LOOK_INTO
    spans = {name: _window(base["cases"][name], head["cases"][name], digests) for name in found}
    for name in sorted(spans, key=lambda one: spans[one][1]):
        left -= spans[name][1]
        if left < 0 and chosen:
            break
        chosen[name] = spans[name]
    return chosen


def _window(was, now, digests):
    """As `first_window`, by the digests that count."""
    keep = [n for n, one in enumerate(DIGESTS) if one in digests]

    def only(marks):
        size = MARK_BYTES * len(DIGESTS)
        return b"".join(
            marks[at + n * MARK_BYTES : at + (n + 1) * MARK_BYTES] if n in keep else bytes(MARK_BYTES)
            for at in range(0, len(marks), size)
            for n in range(len(DIGESTS))
        )

    return first_window({"marks": only(was["marks"])}, {"marks": only(now["marks"])})


def looked_into(trees_, spans, digests):
    """Case -> the first scan that differs: number, phase, digest, and (path, base's value, head's value) each."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "windows.json"
        path.write_bytes(msgspec.json.encode(spans))
        was, now = (collected(tree, ["--windows", path])["cases"] for tree in trees_)
    return {name: first_difference(was[name], now[name], digests) for name in spans}


def first_difference(was, now, digests):
    """The first scan in which two kept stretches differ, and in what; None where they are the same."""
    for before, after in zip(was, now, strict=False):
        if before == after:
            continue
        scan, told, values = before
        for digest in digests:
            old, new = values.get(digest, {}), after[2].get(digest, {})
            fields = [
                (path, old.get(path, "nothing"), new.get(path, "nothing"))
                for path in dict.fromkeys((*old, *new))
                if old.get(path) != new.get(path)
            ]
            if fields:
                return scan, told, digest, fields
    if len(was) != len(now):
        longer = max(was, now, key=len)
        return longer[min(len(was), len(now))][0], [], "length", [("scans run", str(len(was)), str(len(now)))]
    return None


# ---- telling ---------------------------------------------------------------------------------------------


def tell(base, head, found, seen):
    """Print what differs, cases with the same first difference as one."""
    groups = {}
    for name, first in seen.items():
        key = (first[2], tuple(path for path, _, _ in first[3][:3])) if first is not None else ("", ())
        groups.setdefault(key, []).append(name)
    for (digest, paths), names in sorted(groups.items(), key=lambda item: -len(item[1])):
        names.sort(key=lambda one: seen[one][0] if seen[one] is not None else 0)
        print(f"\n{len(names)} case{'s' * (len(names) > 1)}: {digest or 'only the ends differ'}, {', '.join(paths)}")
        first = seen[names[0]]
        if first is None:
            print(f"  remarks: {base['cases'][names[0]]['remarks']} and {head['cases'][names[0]]['remarks']}")
        else:
            where = f", {first[1][0]}, {first[1][1]:.2f} s" if first[1] else ""
            print(f"  {names[0]}, scan {first[0]}{where}:")
            for path, old, new in first[3][:EXAMPLES]:
                print(f"    {path}: {old} -> {new}")
            if len(first[3]) > EXAMPLES:
                print(f"    and {len(first[3]) - EXAMPLES} fields more")
        if names[1:]:
            more = f" and {len(names) - EXAMPLES - 1} more" if len(names) > EXAMPLES + 1 else ""
            print(f"  also: {', '.join(names[1 : EXAMPLES + 1])}{more}")
    if len(found) > len(seen):
        left = [name for name in found if name not in seen]
        print(f"\n{len(left)} more cases differ and were not looked into: {', '.join(left[:EXAMPLES])} ...")


def total(whole):
    """One digest over all cases, and the number of scans."""
    hashed = hashlib.sha256()
    for name in sorted(whole["cases"]):
        digests = whole["cases"][name]["digests"]
        hashed.update(f"{name} {digests['moves']} {digests['tells']}".encode())
    return hashed.hexdigest()[:16], sum(one["scans"] for one in whole["cases"].values())


def compare(base_name, head_name, which):
    """Compare two revisions; the exit status."""
    base_commit = trees.name_of(base_name)
    head_commit = trees.name_of(head_name) if head_name is not None else None
    base_tree, base = results(base_commit, which)
    head_tree, head = results(head_commit, which)
    raised = sorted(
        {f"{name}: {text}" for side in (base, head) for name, one in side["cases"].items() for text in one["remarks"]
         if text.startswith(("raised", "outputs"))}
    )  # fmt: skip
    for line in raised[:EXAMPLES]:
        print(f"remark: {line}")
    comparable = base["shape"] == head["shape"]
    digests = [one for one in DIGESTS if one != "state" or comparable]
    layout = f"state {base['shape']}" if comparable else f"state not comparable: {base['shape']} and {head['shape']}"
    new = [name for name in head["cases"] if name not in base["cases"]]
    if new:
        print(f"only the second side has {', '.join(new[:EXAMPLES])}; left out")
    found = differing(base, head, digests)
    value, scans = total(base)
    took = ", ".join(f"{one['took_s']:.0f} s" for one in (base, head))
    if not found:
        print(f"the same: {len(base['cases'])} cases, {scans} scans, digest {value}, {layout} ({took})")
        return 0
    counts = ", ".join(f"{one} in {sum(one in wrong for wrong in found.values())}" for one in digests)
    print(f"{len(found)} of {len(base['cases'])} cases differ ({scans} scans, {took}): {counts}; {layout}")
    seen = looked_into((base_tree, head_tree), windows(base, head, found, digests), digests)
    tell(base, head, found, seen)
    return 1


def main():
    parser = argparse.ArgumentParser(
        prog="python -m tests.guard", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("base", nargs="?", help="the revision that is right")
    parser.add_argument("head", nargs="?", help="the one to be held against it; the working tree if not named")
    parser.add_argument("--quick", action="store_true", help="about a tenth of the corpus")
    parser.add_argument("--only", default="", metavar="TEXT", help="only cases whose name contains this")
    parser.add_argument("--reach", action="store_true", help="what of the core the corpus reaches")
    parser.add_argument("--moved", metavar="BASE", help="with --reach: only lines that differ from this revision")
    asked = parser.parse_args()
    if asked.reach == (asked.base is not None):
        parser.error("name the revision to compare with, or ask for --reach.")
    which = [*(["--quick"] if asked.quick else []), *([f"--only={asked.only}"] if asked.only else [])]
    try:
        if asked.reach:
            return reach.tell(collected, asked.moved, which)
        return compare(asked.base, asked.head, which)
    except (CannotCompareError, LookupError, subprocess.CalledProcessError) as error:
        said = error.stderr.decode().strip() if isinstance(error, subprocess.CalledProcessError) else error
        print(said, file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
