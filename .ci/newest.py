"""Look ahead: every check with the newest release of everything; when all passes, lock and bounds are written anew.

Called by "sh .ci/newest", which sets up the environment of the lock first. What is tried lives in build/newest: a copy
of the checkout with an environment of its own. The checkout changes only at the end, when every check has passed.

1. `uv` resolves what pyproject.toml asks for, our own upper bounds left away, once for every Python from the oldest
   supported one on.
2. Every Python that pyproject.toml names must find a wheel of every package that the tests need.
3. `.ci/checks` runs in the copy.
4. What failed is run again with the locked versions (a fault of the checkout, not of a library), then with each library
   that has moved alone at its newest: so the one that breaks it is named.
"""

import argparse
import datetime
import platform
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
import venv
import xml.etree.ElementTree
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCKS = ROOT / ".ci" / "lock"
SCRATCH = ROOT / "build" / "newest"
COPY = SCRATCH / "checkout"
LEVELS = {
    "test": ("the checks", ("test", "monitor")),
    "simulation": ("the simulation and all its commands", ("simulation", "fit", "monitor", "modbus")),
    "demo": ("the demonstration", ("simulation",)),
    "board": ("a rig's board with the drivers of its hardware", ("modbus", "gpio")),
}
"""Each level of .ci/setup, and the board: what for, and which extras. All others take the versions of the first."""
_REQUIREMENT = re.compile(r"^(?P<name>[A-Za-z0-9._-]+)(\[[^\]]*\])?(?P<bounds>[<>=!~][^;]*)?$")
_PINNED = re.compile(r"^(?P<name>[A-Za-z0-9._-]+)==(?P<version>[^\s;\\]+)", re.MULTILINE)
_MOST_TO_BLAME = 12


def main() -> int:
    """Return 0 when the newest passes (or nothing is newer), 1 when something breaks, 2 when it could not be tried."""
    options = _options()
    SCRATCH.mkdir(parents=True, exist_ok=True)
    uv = _uv()
    kept = {_plain(name) for name in options.keep}
    unknown = kept - set(_direct())
    if unknown:
        asked = ", ".join(sorted(_direct()))
        return _wrong(f"--keep: pyproject.toml does not ask for {', '.join(sorted(unknown))}; it asks for {asked}.")
    before = _versions(LOCKS / "test.txt") if (LOCKS / "test.txt").exists() else {}
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    if not (options.within or options.as_locked):
        project = _without_bounds(project, kept)
    _resolve(uv, project, {name: before[name] for name in kept if name in before}, options.as_locked)
    after = _versions(SCRATCH / "test.txt")
    moved = {name: (before.get(name, "-"), after.get(name, "-")) for name in sorted(before.keys() | after.keys())
             if before.get(name) != after.get(name)}  # fmt: skip
    if not moved and not options.as_locked:
        print("Nothing is newer than the lock.")
        return 0
    for name, (old, new) in moved.items():
        print(f"  {name:24} {old:>12} -> {new}")
    if not _wheels_everywhere(uv):
        return 1
    if not options.as_locked:
        _copy(uv, project)
        failed, cases = _checks()
        if failed:
            _blame(uv, moved, failed, cases)
            return 1
    _write(uv, before, after)
    return 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="sh .ci/newest",
        description="Run every check with the newest release of everything; when all passes, write lock and bounds.",
    )
    parser.add_argument("--within", action="store_true", help="only as far as the bounds of pyproject.toml allow")
    parser.add_argument(
        "--keep",
        action="append",
        default=[],
        metavar="NAME",
        help="leave this library at its locked version; may be repeated",
    )
    parser.add_argument(
        "--as-locked",
        action="store_true",
        help="write the lock anew after a change of pyproject.toml, moving nothing that need not move; runs no checks",
    )
    return parser.parse_args()


# ---- resolving ---------------------------------------------------------------------------------------------


def _resolve(uv: Path, project: str, kept: dict[str, str], as_locked: bool) -> None:
    """Write one file of requirements with hashes a level into SCRATCH."""
    folder = SCRATCH / "resolve"
    folder.mkdir(exist_ok=True)
    (folder / "pyproject.toml").write_text(project, encoding="utf-8")
    table = tomllib.loads(project)
    (folder / "build.in").write_text("\n".join(table["build-system"]["requires"]) + "\n", encoding="utf-8")
    (folder / "kept.in").write_text("".join(f"{name}=={version}\n" for name, version in kept.items()), encoding="utf-8")
    oldest = table["project"]["requires-python"].removeprefix(">=")
    first = next(iter(LEVELS))
    for level, (_, extras) in LEVELS.items():
        words = shlex.split("pip compile --quiet --universal --fork-strategy=fewest --generate-hashes")
        words += ["--no-header", "--no-annotate", "--python-version", oldest]
        words += [word for extra in extras for word in ("--extra", extra)]
        words += ["--constraint", "kept.in"]
        if level != first:
            words += ["--constraint", str(SCRATCH / f"{first}.txt")]
        target = SCRATCH / f"{level}.txt"
        target.unlink(missing_ok=True)
        kept_from = next((one for one in (LOCKS / target.name, LOCKS / f"{first}.txt") if one.exists()), None)
        if as_locked and kept_from is not None:
            shutil.copy(kept_from, target)  # what stands in the target is preferred
        _run(
            [str(uv), *words, "--output-file", str(target), "pyproject.toml", "build.in"],
            folder,
            "resolving the requirements",
        )


def _wheels_everywhere(uv: Path) -> bool:
    """Whether every Python that the project names finds a wheel of every package; says which does not."""
    well = True
    for python in _pythons():
        words = shlex.split("pip install --quiet --dry-run --require-hashes --only-binary=:all:")
        words += ["--python-version", python, "--python-platform", "x86_64-manylinux_2_28"]
        words += ["--target", str(SCRATCH / f"for-{python}"), "-r", str(SCRATCH / "test.txt")]
        done = subprocess.run([str(uv), *words], cwd=SCRATCH, capture_output=True, text=True, check=False)
        said = "a wheel of every package" if done.returncode == 0 else f"not to be had: {_last(done)}"
        print(f"Python {python}: {said}")
        well = well and done.returncode == 0
    return well


def _pythons() -> list[str]:
    lines = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["classifiers"]
    return [found[1] for line in lines if (found := re.fullmatch(r"Programming Language :: Python :: (3\.\d+)", line))]


def _direct() -> dict[str, str]:
    """Every library that pyproject.toml asks for by name, with its bounds."""
    table = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    lists = [
        table["build-system"]["requires"],
        table["project"]["dependencies"],
        *table["project"]["optional-dependencies"].values(),
    ]
    found = {}
    for line in (line for one in lists for line in one):
        matched = _REQUIREMENT.match(line)
        if matched and matched["bounds"]:
            found[_plain(matched["name"])] = matched["bounds"]
    return found


def _without_bounds(project: str, kept: set[str]) -> str:
    """The text of pyproject.toml with our own upper bounds left away, but for what is kept."""

    def loose(found: re.Match[str]) -> str:
        if _plain(found["name"]) in kept:
            return found[0]
        bounds = ",".join(part for part in found["bounds"].split(",") if part.startswith(">"))
        return f'"{found["name"]}{found["extras"] or ""}{bounds}"'

    return _IN_TEXT.sub(loose, project)


_IN_TEXT = re.compile(r'"(?P<name>[A-Za-z0-9._-]+)(?P<extras>\[[^\]"]*\])?(?P<bounds>(?:[<>=~!]=?[0-9][^",]*,?)+)"')
"""A requirement with bounds as it stands in pyproject.toml."""


def _raised(project: str, after: dict[str, str]) -> str:
    """The text of pyproject.toml with every upper bound above the tested version, as fine as it was."""

    def above(found: re.Match[str]) -> str:
        version = after.get(_plain(found["name"]))
        if version is None:
            return found[0]
        parts = [_bound(part, version) for part in found["bounds"].split(",")]
        return f'"{found["name"]}{found["extras"] or ""}{",".join(parts)}"'

    return _IN_TEXT.sub(above, project)


def _bound(part: str, version: str) -> str:
    if part.startswith("=="):
        return f"=={version}"
    if not part.startswith("<"):
        return part
    bound = [int(figure) for figure in part.lstrip("<=").split(".")]
    at = [int(figure) for figure in re.findall(r"\d+", version)][: len(bound)]
    at += [0] * (len(bound) - len(at))
    if at < bound:
        return part
    at[-1] += 1
    return "<" + ".".join(map(str, at))


# ---- trying ------------------------------------------------------------------------------------------------


def _copy(uv: Path, project: str) -> None:
    """A copy of the checkout as it stands, with an environment of the newest."""
    shutil.rmtree(COPY, ignore_errors=True)
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    )
    for name in filter(None, listed.stdout.decode().split("\0")):
        if (ROOT / name).is_file():
            (COPY / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, COPY / name)
    (COPY / "pyproject.toml").write_text(project, encoding="utf-8")
    for level in LEVELS:
        shutil.copy(SCRATCH / f"{level}.txt", COPY / ".ci" / "lock" / f"{level}.txt")
    _environment(uv, COPY, SCRATCH / "test.txt")


def _environment(uv: Path, checkout: Path, lock: Path) -> None:
    print(f"Installing {lock.parent.name}/{lock.name} ...", flush=True)
    if not (checkout / ".venv").exists():
        venv.create(checkout / ".venv", with_pip=True)
    python = str(checkout / ".venv" / "bin" / "python")
    _run(
        [str(uv), "pip", "install", "--quiet", "--python", python, "--require-hashes", "-r", str(lock)],
        checkout,
        "installing",
    )
    _run(
        [str(uv), "pip", "install", "--quiet", "--python", python, "--no-deps", "--no-build-isolation", "-e", "."],
        checkout,
        "installing",
    )


def _checks() -> tuple[list[str], list[str]]:
    """Run .ci/checks in the copy; the checks that failed, and the tests."""
    print("Running every check with them; what they print stands in build/newest/checks.txt ...", flush=True)
    report = SCRATCH / "tests.xml"
    report.unlink(missing_ok=True)
    with (SCRATCH / "checks.txt").open("w") as out:
        done = subprocess.run(
            ["sh", ".ci/checks", "-q", f"--junitxml={report}"],
            cwd=COPY,
            stdout=out,
            stderr=subprocess.STDOUT,
            check=False,
        )
    text = (SCRATCH / "checks.txt").read_text(encoding="utf-8", errors="replace")
    failed = [
        word.strip()
        for word in "".join(re.findall(r"^Not passed so far:(.*), the tests", text, re.MULTILINE)).split(",")
        if word.strip()
    ]
    cases = _failed_tests(report)
    if cases:
        failed.append("pytest")
    if done.returncode and not failed:
        failed = ["pytest ended without a result"]
    print(text.strip().splitlines()[-1] if text.strip() else "nothing was printed")
    return failed, cases


def _failed_tests(report: Path) -> list[str]:
    if not report.exists():
        return []
    found = []
    for case in xml.etree.ElementTree.parse(report).iter("testcase"):  # written by our own pytest
        if case.find("failure") is not None or case.find("error") is not None:
            found.append(_node(case.get("classname", "").split("."), case.get("name", "")))
    return found


def _node(parts: list[str], name: str) -> str:
    """The name by which pytest takes a test; a class of tests may stand behind the module."""
    for count in range(len(parts), 0, -1):
        file = "/".join(parts[:count]) + ".py"
        if (COPY / file).is_file():
            return "::".join([file, *parts[count:], name])
    return name


def _blame(uv: Path, moved: dict[str, tuple[str, str]], failed: list[str], cases: list[str]) -> None:
    """Say which library makes it fail."""
    print("\nThe newest breaks: " + ", ".join(failed) + ".")
    for case in cases:
        print(f"  {case}")
    shutil.copy(ROOT / "pyproject.toml", COPY / "pyproject.toml")
    _environment(uv, COPY, LOCKS / "test.txt")
    still = _fails_still(failed, cases)
    if still:
        print("This fails with the locked versions as well, so no library is to blame: " + ", ".join(still))
        failed, cases = [one for one in failed if one not in still], [one for one in cases if one not in still]
    if not cases and not any(check in _COMMANDS for check in failed):
        return
    suspects = [name for name in moved if name in _direct() and moved[name][1] != "-"]
    found = False
    for name in suspects:
        old, new = moved[name]
        python = str(COPY / ".venv" / "bin" / "python")
        tried = subprocess.run(
            [str(uv), "pip", "install", "--quiet", "--python", python, f"{name}=={new}"],
            cwd=COPY,
            capture_output=True,
            text=True,
            check=False,
        )
        if tried.returncode == 0:
            still = _fails_still(failed, cases)
            if still:
                found = True
                print(f"{name} {old} -> {new} alone breaks: {', '.join(still)}")
        _environment(uv, COPY, LOCKS / "test.txt")
    if not found:
        print("No library that pyproject.toml names breaks it alone: several together do, or one that comes with them.")
    else:
        print("The lock is left as it is. Mend it, or take the rest: sh .ci/newest --keep NAME")


_COMMANDS = {
    "ruff check": ["ruff", "check", "."],
    "ruff format": ["ruff", "format", "--check", "."],
    "mypy": ["mypy"],
    "import contracts": ["lint-imports"],
}


def _fails_still(failed: list[str], cases: list[str]) -> list[str]:
    """What of the failed checks and tests fails with what is in the copy's environment now."""
    at = COPY / ".venv" / "bin"
    still = []
    for check in failed:
        if check in _COMMANDS:
            command, *words = _COMMANDS[check]
            done = subprocess.run([str(at / command), *words], cwd=COPY, capture_output=True, check=False)
            still += [check] if done.returncode else []
    if cases:
        report = SCRATCH / "again.xml"
        report.unlink(missing_ok=True)
        subprocess.run(
            [str(at / "python"), "-m", "pytest", "-q", f"--junitxml={report}", *cases[:_MOST_TO_BLAME]],
            cwd=COPY,
            capture_output=True,
            check=False,
        )
        still += _failed_tests(report)
    return still


# ---- writing -----------------------------------------------------------------------------------------------


def _write(uv: Path, before: dict[str, str], after: dict[str, str]) -> None:
    """Put lock and bounds into the checkout."""
    project = ROOT / "pyproject.toml"
    project.write_text(_raised(project.read_text(encoding="utf-8"), after), encoding="utf-8")
    LOCKS.mkdir(exist_ok=True)
    for level, (purpose, _) in LEVELS.items():
        text = (SCRATCH / f"{level}.txt").read_text(encoding="utf-8")
        count = len(_PINNED.findall(text))
        head = f"# {count} Python packages for {purpose}: {_installed_mb(uv, level):.0f} MB when installed"
        python = f"Python {sys.version_info.major}.{sys.version_info.minor} on {platform.machine()}"
        on = f"({python}, {datetime.datetime.now(datetime.UTC).date()})"
        (LOCKS / f"{level}.txt").write_text(
            f'{head} {on}.\n# Written by "sh .ci/newest"; do not edit.\n{text}', encoding="utf-8"
        )
        print(f".ci/lock/{level}.txt: {head.removeprefix('# ')}")


def _installed_mb(uv: Path, level: str) -> float:
    """What the level takes in an environment of its own, byte code included."""
    env = SCRATCH / f"size-{level}"
    shutil.rmtree(env, ignore_errors=True)
    venv.create(env, with_pip=True)
    words = [
        "pip",
        "install",
        "--quiet",
        "--compile-bytecode",
        "--python",
        str(env / "bin" / "python"),
        "--require-hashes",
        "-r",
        str(SCRATCH / f"{level}.txt"),
    ]
    _run([str(uv), *words], SCRATCH, "measuring the size")
    size = sum(one.stat().st_size for one in env.rglob("*") if one.is_file() and not one.is_symlink())
    shutil.rmtree(env, ignore_errors=True)
    return 1e-6 * size


# ---- small parts -------------------------------------------------------------------------------------------


def _uv() -> Path:
    """The resolver, in an environment of its own."""
    env = SCRATCH / "uv"
    uv = env / "bin" / "uv"
    if not uv.exists():
        venv.create(env, with_pip=True)
    _run([str(env / "bin" / "python"), "-m", "pip", "install", "--quiet", "--upgrade", "uv"], SCRATCH, "getting uv")
    return uv


def _versions(lock: Path) -> dict[str, str]:
    return {_plain(found["name"]): found["version"] for found in _PINNED.finditer(lock.read_text(encoding="utf-8"))}


def _plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def _run(command: list[str], folder: Path, what: str) -> None:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(_wrong(f"{what} failed ({Path(command[0]).name}): {_last(done)}"))


def _last(done: "subprocess.CompletedProcess[str]") -> str:
    lines = [line.strip() for line in (done.stderr + done.stdout).splitlines() if line.strip()]
    return " ".join(lines[-3:]) or f"exit status {done.returncode}"


def _wrong(sentence: str) -> int:
    print(f"newest: {sentence}", file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())
