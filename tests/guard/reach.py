"""What of the core the corpus reaches: lines and branches by coverage, and states, asks, alarms by name."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import tempfile
from pathlib import Path

from tests.guard import trees
from tests.guard.collector import KINDS_SEEN

CORE = ("rigctl/control", "rigctl/advice", "rigctl/scan.py")
"""What is watched, as far as it is there."""
DATA = "coverage"
"""Name of coverage's files, in the folder that the collectors are told."""


def begun(folder):
    """Start to watch, in a collector, before anything of the core is imported; what to stop in the end."""
    import coverage

    include = [f"{Path.cwd()}/{place}{'' if place.endswith('.py') else '/*'}" for place in CORE]
    watching = coverage.Coverage(
        data_file=f"{folder}/{DATA}", data_suffix=True, branch=True, include=include, config_file=False
    )
    watching.start()
    return watching


def tell(collected, moved, which):
    """Run the corpus under coverage in the working tree and print what it reaches; the exit status.

    Raises
    ------
    LookupError
        If coverage is not installed, or git knows no such revision.
    """
    if importlib.util.find_spec("coverage") is None:
        raise LookupError("--reach needs the package coverage: pip install coverage.")
    tree = trees.exported(None)
    with tempfile.TemporaryDirectory() as folder:
        whole = collected(tree, ["--coverage", folder, *which])
        files = _analysed(tree, folder)
    if moved is not None:
        files = _only_moved(files, tree, trees.exported(trees.name_of(moved)))
    _say_lines(files)
    _say_names(whole)
    return 0


def _analysed(tree, folder):
    """File -> lines with code, lines not reached, and branches not taken: line -> where they would have led."""
    import coverage

    data = coverage.Coverage(data_file=f"{folder}/{DATA}", branch=True, config_file=False)
    data.combine([folder])
    found = {}
    for path in sorted(data.get_data().measured_files()):
        analysis = data._analyze(path)
        name = str(Path(path).relative_to(tree))
        found[name] = set(analysis.statements), set(analysis.missing), dict(analysis.missing_branch_arcs())
    seen = {str(Path(path).relative_to(tree)) for place in CORE for path in _python(tree / place)}
    for name in sorted(seen - found.keys()):
        lines = set(range(1, 1 + len((tree / name).read_text(encoding="utf-8").splitlines())))
        found[name] = lines, set(lines), {}
    return found


def _python(place):
    return [place] if place.is_file() else sorted(place.rglob("*.py"))


def _only_moved(files, tree, before):
    """Of each file only the lines that are not in the other revision at this place."""
    answer = subprocess.run(
        ["git", "diff", "--no-index", "--no-renames", "-U0", str(before / "rigctl"), str(tree / "rigctl")],
        capture_output=True, text=True, check=False, cwd=trees.CACHE,
    ).stdout  # fmt: skip
    new, name = {}, None
    for line in answer.splitlines():
        if line.startswith("+++ "):
            _, mark, rest = line.partition(f"{tree.name}/")
            name = rest if mark else None
        elif (hunk := re.match(r"@@ -\S+ \+(\d+)(?:,(\d+))? @@", line)) and name is not None:
            first, count = int(hunk[1]), int(hunk[2] or 1)
            new.setdefault(name, set()).update(range(first, first + count))
    return {
        name: (lines & new[name], missing & new[name], {n: to for n, to in arcs.items() if n in new[name]})
        for name, (lines, missing, arcs) in files.items()
        if name in new
    }


def _say_lines(files):
    print(f"{'file':<36} {'lines':>6} {'reached':>8} {'share':>7}  not reached")
    every = unreached = 0
    for name, (lines, missing, _) in files.items():
        every, unreached = every + len(lines), unreached + len(missing)
        share = 1.0 - len(missing) / len(lines) if lines else 1.0
        print(f"{name:<36} {len(lines):>6} {len(lines) - len(missing):>8} {share:>7.1%}  {ranges(missing, lines)}")
    share = 1.0 - unreached / every if every else 1.0
    print(f"{'all':<36} {every:>6} {every - unreached:>8} {share:>7.1%}")
    print("branches never taken (line -> where to, negative: out of the function):")
    for name, (_, missing, arcs) in files.items():
        never = [
            f"{line}->{','.join(map(str, sorted(to)))}" for line, to in sorted(arcs.items()) if line not in missing
        ]
        if never:
            print(f"  {name}: {' '.join(never)}")


def ranges(missing, lines):
    """Line numbers as ranges; lines without code do not break one."""
    out, run = [], []
    for line in sorted(lines):
        if line in missing:
            run.append(line)
        elif run:
            out.append(run)
            run = []
    if run:
        out.append(run)
    return " ".join(str(one[0]) if len(one) == 1 else f"{one[0]}-{one[-1]}" for one in out)


def _say_names(whole):
    print()
    for kind in KINDS_SEEN:
        seen = sorted({what for case in whole["cases"].values() for what in case["seen"][kind]})
        known = whole["universe"].get(kind)
        if known is None:
            print(f"{kind}: {len(seen)} reached: {', '.join(seen)}")
            continue
        never = [one for one in known if one not in seen]
        print(f"{kind}: {len(known) - len(never)} of {len(known)}" + (f"; never {', '.join(never)}" if never else ""))
