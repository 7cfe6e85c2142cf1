"""Copies of revisions to run in: exported once by content, with the plant's compiled code carried over."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
from io import BytesIO
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
CACHE = REPO / "build" / "guard"
TAKEN = ("rigctl", "hil_sim", "configs")
"""What of a revision is run."""
COMPILED = {"hil_sim/plant": "*.py", "hil_sim/instruments": "sensors.py", "hil_sim": "sensors.py"}
"""Folders with compiled functions -> the files that these follow from."""
KEPT = 8
"""So many trees are kept; the oldest go first."""
_STAMP_S = 1_000_000_000


def git(*arguments):
    """What git answers, as bytes."""
    return subprocess.run(["git", "-C", str(REPO), *arguments], check=True, capture_output=True).stdout


def name_of(revision):
    """The full name of a commit.

    Raises
    ------
    LookupError
        If there is no such revision.
    """
    try:
        return git("rev-parse", "--verify", f"{revision}^{{commit}}").decode().strip()
    except subprocess.CalledProcessError:
        raise LookupError(f"git knows no revision {revision}; name a commit, a branch or a tag.") from None


def exported(revision):
    """The folder with a revision; None is the working tree as it is, with what is not committed."""
    CACHE.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=CACHE) as made:
        folder = Path(made) / "tree"
        folder.mkdir()
        if revision is None:
            _copy(folder)
        else:
            with tarfile.open(fileobj=BytesIO(git("archive", revision, *TAKEN))) as archive:
                archive.extractall(folder, filter="data")
        key = digest([path for path in folder.rglob("*") if path.is_file()], folder)
        tree = CACHE / "trees" / key
        if not tree.exists():
            tree.parent.mkdir(exist_ok=True)
            _carry_over(folder)
            folder.rename(tree)
    tree.touch()
    _prune()
    return tree


def _copy(folder):
    listed = git("ls-files", "-z", "--cached", "--others", "--exclude-standard", "--", *TAKEN).decode()
    for name in filter(None, listed.split("\0")):
        source, goal = REPO / name, folder / name
        if source.is_file():
            goal.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, goal)


def digest(files, root):
    """One digest of these files' names and contents."""
    hashed = hashlib.sha256()
    for path in sorted(files):
        content = path.read_bytes()
        hashed.update(f"{path.relative_to(root)} {len(content)}\n".encode())
        hashed.update(content)
    return hashed.hexdigest()[:16]


def _compiled_of(tree):
    """Folders of a tree with compiled code, each with where that is kept for all trees with the same sources."""
    for folder, pattern in COMPILED.items():
        sources = sorted((tree / folder).glob(pattern))
        if sources:
            key = f"{digest(sources, tree)}-{sys.implementation.cache_tag}"
            yield sources, tree / folder / "__pycache__", CACHE / "compiled" / key


def _carry_over(tree):
    """Put in the compiled code of the same sources; it is taken for that of files with the same time of change."""
    for sources, inside, kept in _compiled_of(tree):
        for path in sources:
            os.utime(path, (_STAMP_S, _STAMP_S))
        if kept.is_dir():
            shutil.copytree(kept, inside, dirs_exist_ok=True)


def keep_compiled(tree):
    """Keep what this tree has compiled for the next ones."""
    for _, inside, kept in _compiled_of(tree):
        found = list(inside.glob("*.nb[ci]"))
        if found and not kept.is_dir():
            with tempfile.TemporaryDirectory(dir=CACHE) as made:
                for path in found:
                    shutil.copy2(path, made)
                kept.parent.mkdir(exist_ok=True)
                shutil.copytree(made, kept)


def is_compiled(tree):
    """Whether the plant need not be compiled."""
    return all(any(inside.glob("*.nbi")) for _, inside, _ in _compiled_of(tree))


def _prune():
    trees = sorted((CACHE / "trees").iterdir(), key=lambda path: path.stat().st_mtime)
    for path in trees[:-KEPT]:
        shutil.rmtree(path)
