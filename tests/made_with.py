"""Which library made a generated file differ: what runs here beside what the lock names."""

import re
from importlib.metadata import version
from pathlib import Path

LOCK = Path(__file__).resolve().parents[1] / ".ci" / "lock" / "test.txt"


def made_with(*libraries):
    """One sentence for a failed comparison of generated files with those of the checkout."""
    locked = dict(re.findall(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)", LOCK.read_text(encoding="utf-8"), re.MULTILINE))
    locked = {_plain(name): at for name, at in locked.items()}
    moved = [f"{name} {version(name)} (the lock has {locked[_plain(name)]})" for name in libraries
             if version(name) != locked[_plain(name)]]  # fmt: skip
    if moved:
        return f"made here with {', '.join(moved)}, which may be what made the difference."
    return f"made with the locked {' and '.join(libraries)}, so the code makes the difference; make the files anew."


def _plain(name):
    return re.sub(r"[-_.]+", "-", name).lower()
