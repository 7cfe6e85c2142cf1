"""Prove and print: `python -m tests.proofs [NAME]`; NAME is a statement, or the beginning of some.

Exit status 0: all are proven, or fail as they are known to. 1: one is not. 2: nothing has that name.
"""

from __future__ import annotations

import sys
import time

from tests.proofs import statements
from tests.proofs.engine import judge


def main(words: list[str]) -> int:
    """Print the table of statements: what, over which domain, what was stubbed, the result, the time."""
    chosen = [one for one in statements.ALL if not words or one.name.startswith(words[0])]
    if not chosen:
        names = ", ".join(sorted({one.name.split(".")[0] for one in statements.ALL}))
        print(f"No statement is called {words[0]!r}. Name one, or a subject: {names}.", file=sys.stderr)
        return 2
    begun, worst = time.perf_counter(), 0
    for one in chosen:
        verdict = judge(one)
        known = not verdict.proven and one.defect
        result = "proven" if verdict.proven else "known not to hold" if known else "NOT PROVEN"
        if verdict.proven and one.defect:
            result = "PROVEN, though listed as a defect"
        print(f"{one.name}: {one.says}")
        print(f"    domain: {one.domain}\n    stubs: {one.stubs}")
        print(f"    {result} ({verdict.said}) in {verdict.seconds:.1f} s", flush=True)
        worst = max(worst, int(verdict.proven is bool(one.defect)))
    print(f"{len(chosen)} statements in {time.perf_counter() - begun:.0f} s")
    return worst


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
