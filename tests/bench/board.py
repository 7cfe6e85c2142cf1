"""Figures for a small board: what the controller alone takes on its disk, and which packages have no wheel for it.

It is installed with its hardware extras into an environment of its own; size is that of all files there, with
byte code, without pip and setuptools. Wheels are asked from the package index that pip is set up for, each package in
the version that was just installed. Nothing runs on another machine here: a wheel that is there need not work.
"""

import re
import shutil
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

from tests.bench.core import Figure

ROOT = Path(__file__).resolve().parents[2]
EXTRAS = "modbus,gpio"
PARTS = ("pyproject.toml", "README.md", "LICENSE", "rigctl", "hil_sim", "configs")
"""What the installed package is built from."""
MOST_MB = 60.0
BOARDS = {
    "arm64": ("manylinux2014_aarch64", "manylinux_2_17_aarch64", "manylinux_2_28_aarch64"),
    "armv7": ("manylinux2014_armv7l", "manylinux_2_17_armv7l", "manylinux_2_31_armv7l"),
}
"""Names of 64-bit and 32-bit boards and the tags of wheels that run there (PEP 600, PEP 599)."""
PYTHONS = ("3.11", "3.13")
_TOOLS = re.compile(r"(?i)(pip|setuptools|pkg_resources|_distutils_hack|distutils-precedence)\b")
_BIGGEST = 8
_UNREACHED = ("Retrying (", "connection broken", "Connection aborted", "ReadTimeout", "Name or service not known")
_NO_WHEEL = re.compile(r"No matching distribution found for ([A-Za-z0-9._-]+)")


def measure(quick):
    with tempfile.TemporaryDirectory() as folder:
        packages, site = _installed(Path(folder) / "env")
        yield from _size(site)
        for board in BOARDS:
            for python in PYTHONS[:1] if quick else PYTHONS:
                yield _wheels(packages, board, python, Path(folder))


def broken(figures):
    """What no noise can excuse."""
    for figure in figures:
        if figure.name == "board: installed size" and not figure.value < MOST_MB:
            yield f"the controller takes {figure.value:.0f} MB; at most {MOST_MB:.0f} are promised"
        if figure.name.startswith("board: packages without a wheel, arm64") and figure.value > 0.0:
            yield f"a package has no wheel for arm64: {figure.how}"


def _pip(python, *words):
    """Run pip; what it said on both outputs, and whether it was content. Ends with a sentence without an index."""
    done = subprocess.run([str(python), "-m", "pip", *words], capture_output=True, text=True, check=False)
    said = done.stdout + done.stderr
    if done.returncode != 0 and any(sign in said for sign in _UNREACHED):
        raise SystemExit("The package index cannot be reached, and these figures hang on it; run it with a network.")
    return done.returncode == 0, said


def _installed(env):
    """Install the controller with its hardware extras; the packages that came, name==version, and their folder."""
    source = env.with_name("source")  # building leaves things behind
    for name in PARTS:
        (shutil.copytree if (ROOT / name).is_dir() else shutil.copy)(ROOT / name, _made(source) / name)
    venv.create(env, with_pip=True)
    python = env / "bin" / "python"
    content, said = _pip(python, "install", "--quiet", f"{source}[{EXTRAS}]")
    if not content:
        raise SystemExit(f"The controller cannot be installed: {said.strip().splitlines()[-1]}")
    _, frozen = _pip(python, "freeze")
    packages = [line for line in frozen.splitlines() if re.fullmatch(r"[A-Za-z0-9._-]+==\S+", line)]
    packages = [line for line in packages if not re.match(r"recovery[-_]rig\b", line)]
    return packages, next(env.glob("lib/python*/site-packages"))


def _made(folder):
    folder.mkdir(exist_ok=True)
    return folder


def _size(site):
    sizes = {entry.name: _bytes(entry) for entry in site.iterdir() if not _TOOLS.match(entry.name)}
    how = f"site-packages of .[{EXTRAS}], Python {sys.version_info.major}.{sys.version_info.minor}, without pip"
    yield Figure("board: installed size", 1e-6 * sum(sizes.values()), "MB", how)
    for name in sorted(sizes, key=sizes.__getitem__, reverse=True)[:_BIGGEST]:
        yield Figure(f"board: installed size, {name}", 1e-6 * sizes[name], "MB")


def _bytes(entry):
    files = [entry] if entry.is_file() else [one for one in entry.rglob("*") if one.is_file()]
    return sum(one.stat().st_size for one in files)


def _wheels(packages, board, python, folder):
    """How many of the packages cannot be had without a compiler."""
    left, missing = list(packages), []
    words = ["download", "--quiet", "--no-deps", "--only-binary=:all:", "--implementation", "cp"]
    words += ["--python-version", python, "--dest", str(folder / f"{board}-{python}")]
    words += [word for tag in BOARDS[board] for word in ("--platform", tag)]
    while left:
        content, said = _pip(sys.executable, *words, *left)
        if content:
            break
        none = _NO_WHEEL.search(said)
        gone = [] if none is None else [one for one in left if one.partition("==")[0] == none[1]]
        if not gone:
            raise SystemExit(f"pip does not say which wheel is missing: {said.strip().splitlines()[-1]}")
        missing += gone
        left = [one for one in left if one not in gone]
    how = f"of {len(packages)}: {', '.join(missing) if missing else 'all are there'}"
    return Figure(f"board: packages without a wheel, {board}, Python {python}", float(len(missing)), "", how)
