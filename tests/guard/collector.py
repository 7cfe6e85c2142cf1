"""Runs the corpus in one revision and writes its digests: `python -m tests.guard.collector`, started by the guard.

It runs in the folder of the exported revision, which is first on the path; of the guard's own tree it takes nothing but
this package.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
from pathlib import Path

import msgspec

EVERY = 64
"""A mark of all digests is kept once in so many scans: between two marks lies the first that differs."""
MARK_BYTES = 4
KINDS_SEEN = ("phases", "steps", "asks", "alarms", "alarm states", "event kinds", "replies")
"""What is noted of each case besides, by name."""
QUICK = (
    "random bench 146", "random bench 195", "random bench 89", "water 3", "stays hot 0", "pressed into a fault 1",
    "open loop 32",
)  # fmt: skip
"""With every tenth case these reach every alarm, ask, phase and step that all cases together reach."""
MISTAKE = 3
"""Exit status when the revision and the table of fields do not agree."""


class EnoughError(Exception):
    """All that was to be looked at has been seen."""


class Tally:
    """The digests of one case, scan for scan; with a window, the projection of the scans in it as well.

    Parameters
    ----------
    window
        First and last scan that are kept by name; nothing is run beyond.
    """

    projection = None
    """Of this revision; made at the first scan of the first case."""

    def __init__(self, window=None):
        from tests.guard import projection

        self._names = projection.DIGESTS
        self._packed = projection.packed
        self._shown = projection.shown
        self._make = projection.Projection
        self.hashes = [hashlib.blake2b(digest_size=8) for _ in self._names]
        self.marks = bytearray()
        self.scans = 0
        self.window = window
        self.kept = []
        self.remarks = []
        self._seen = {kind: set() for kind in KINDS_SEEN}
        self._last = None

    def scan(self, record, state, outputs=None):
        """Take in one scan; `record` is None while the power is off, `outputs` what step gave besides."""
        if record is None:
            self.mark("off", remark=False)
        else:
            if Tally.projection is None:
                Tally.projection = self._make(record, state)
            for hashed, values in zip(self.hashes, Tally.projection(record, state), strict=True):
                hashed.update(self._packed(values))
            if outputs is not None and outputs != record.outputs:
                self.mark(f"outputs are not those of the record: {outputs}")
            self._notice(record, state)
        if self.window is not None and self.scans >= self.window[0]:
            self._keep(record, state)
        self.scans += 1
        if self.scans % EVERY == 0:
            for hashed in self.hashes:
                self.marks += hashed.copy().digest()[:MARK_BYTES]

    def mark(self, text, remark=True):
        """Take in something besides scans: an end, an exception."""
        if remark:
            self.remarks.append(text)
        for hashed in self.hashes:
            hashed.update(text.encode())

    def result(self):
        """What goes into the file."""
        return {
            "scans": self.scans,
            "digests": {name: hashed.hexdigest() for name, hashed in zip(self._names, self.hashes, strict=True)},
            "marks": bytes(self.marks),
            "remarks": self.remarks[:3],
            "seen": {kind: sorted(what) for kind, what in self._seen.items()},
        }

    def _keep(self, record, state):
        named = {} if record is None else Tally.projection.named(record, state)
        told = [] if record is None else [record.phase.name, record.readings.now_s]
        values = {
            digest: {path: self._shown(value) for path, value in fields.items()} for digest, fields in named.items()
        }
        self.kept.append([self.scans, told, values])
        if self.scans >= self.window[1]:
            raise EnoughError

    def _notice(self, record, state):
        step = Tally.projection.step(state)[0]
        now = (record.phase, step, record.ask, record.alarms, record.events, record.replies)
        if now == self._last:
            return
        self._last = now
        seen = self._seen
        seen["phases"].add(record.phase.name)
        seen["steps"].add(f"{record.phase.name} {step}")
        seen["asks"].add(record.ask.name)
        for alarm in record.alarms:
            seen["alarms"].add(alarm.tag)
            seen["alarm states"].add(alarm.state.name)
        for event in record.events:
            seen["event kinds"].add(event.kind)
        if record.replies:
            kinds = {request.request_id: request.kind.name for request in record.readings.requests}
            for reply in record.replies:
                word = "taken" if reply.accepted else "refused"
                seen["replies"].add(f"{kinds.get(reply.request_id, '?')} {word}")


def universe():
    """All that could be reached, by the revision's own lists."""
    from tests.guard.adapter import found

    replies = [f"{kind.name} {word}" for kind in found("RequestKind") for word in ("taken", "refused")]
    never = {f"{kind} refused" for kind in ("STOP", "ABORT", "ACKNOWLEDGE")}
    return {
        "phases": [phase.name for phase in found("Phase")],
        "asks": [ask.name for ask in found("Ask")],
        "alarms": [row.tag for row in found("TABLE")],
        "alarm states": [one.name for one in found("AlarmState") if one.name != "NORMAL"],
        "event kinds": ["phase", "trip", "hold", "alarm", "request", "cylinder", "standing", "note"],
        "replies": [reply for reply in replies if reply not in never],
    }


def all_cases(quick):
    """The corpus: all of it, or about a tenth that has something of every kind."""
    from tests.guard import corpus, wild

    some = [*corpus.cases(), *wild.cases()]
    return [case for n, case in enumerate(some) if n % 10 == 3 or case.name in QUICK] if quick else some


def shared_out(cases, share, of):
    """This share of the cases, as even as their lengths allow."""
    loads, mine = [0] * of, []
    for case in sorted(cases, key=lambda one: (-one.scans, one.name)):
        least = loads.index(min(loads))
        loads[least] += case.scans
        if least == share:
            mine.append(case)
    return mine


def run(case, tally):
    """Carry a case out; an exception is an outcome like any other, and is remarked on."""
    try:
        case.run(tally)
    except EnoughError:
        pass
    except Exception as error:
        from tests.guard.projection import FieldError

        if isinstance(error, FieldError):
            raise
        tally.mark(f"raised {type(error).__name__}: {error}")


def main():
    parser = argparse.ArgumentParser(prog="python -m tests.guard.collector", description=__doc__.partition("\n")[0])
    parser.add_argument("out", type=Path, help="the file to write")
    parser.add_argument("--share", nargs=2, type=int, default=(0, 1), metavar=("N", "OF"))
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", default="", help="only cases whose name contains this")
    parser.add_argument("--warm", action="store_true", help="compile the plant and stop")
    parser.add_argument("--windows", type=Path, help="look at these scans of these cases: JSON, case -> [first, last]")
    parser.add_argument("--coverage", type=Path, help="watch which lines are reached, into this folder")
    asked = parser.parse_args()
    here = Path.cwd()
    watching = None
    if asked.coverage is not None:
        from tests.guard import reach

        watching = reach.begun(asked.coverage)
    import rigctl

    if not Path(rigctl.__file__).is_relative_to(here):
        sys.exit(f"rigctl is taken from {rigctl.__file__}, not from {here}: start it there with PYTHONPATH.")
    cases = [case for case in all_cases(asked.quick) if asked.only in case.name]
    from tests.guard.projection import FieldError

    if asked.warm:
        run(all_cases(False)[0], Tally((20, 20)))
        return
    windows = None
    if asked.windows is not None:
        windows = msgspec.json.decode(asked.windows.read_bytes())
        cases = [case for case in all_cases(False) if case.name in windows]
    done = {}
    try:
        for case in shared_out(cases, *asked.share):
            tally = Tally(windows[case.name] if windows is not None else None)
            run(case, tally)
            done[case.name] = tally.result() if windows is None else tally.kept
    except FieldError as error:
        print(error, file=sys.stderr)
        sys.exit(MISTAKE)
    if watching is not None:
        watching.stop()
        watching.save()
    shape = Tally.projection.shape if Tally.projection is not None else ""
    answer = {"cases": done, "shape": shape, "universe": universe()}
    asked.out.write_bytes(msgspec.msgpack.encode(answer))


if __name__ == "__main__":
    main()
