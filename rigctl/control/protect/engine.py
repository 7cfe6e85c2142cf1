"""Judges every row of the table in one scan: delays, latches, alarm states."""

from __future__ import annotations

from math import nan

import msgspec

from rigctl.control.protect.alarms import Alarm, Memory
from rigctl.control.protect.situation import Situation
from rigctl.control.protect.table import BANDED, HOLDS, INHIBITS, TABLE, TRIPS
from rigctl.control.vocabulary import AlarmState


class Permits:
    """The verdict of a scan. Lives for one scan."""

    __slots__ = ("active", "forbidden", "hold", "inhibit", "latched", "news", "trip")

    active: int
    latched: int
    forbidden: int
    """Outputs that may not be energised."""
    trip: int
    """First tripped row (active or latched), -1 for none."""
    hold: int
    inhibit: int
    news: tuple[Alarm, ...]
    """Alarms whose state changed in this scan."""


def first(mask: int) -> int:
    """Return the lowest set bit's position, -1 for none."""
    return (mask & -mask).bit_length() - 1


def evaluate(memory: Memory, x: Situation, *, acknowledge: bool, reset: bool) -> tuple[Memory, Permits]:
    """Judge every row.

    A trip latches while a job is under way; `reset` clears those latches whose cause is gone. Outside a job an
    active trip inhibits the start and leaves no latch.
    """
    raw = 0
    for bit, present in x.prepared.rows:
        if present(x):
            raw |= bit
    banded = memory.raw & ~raw & BANDED
    while banded:  # seldom: a cause that was there and is just below its limit now
        i = first(banded)
        banded &= banded - 1
        if TABLE[i].present(x, still=True):
            raw |= 1 << i
    now = x.s.now_s
    since = memory.since_s
    if raw != memory.raw or not since:
        old = memory.raw if since else 0
        since = tuple((since[i] if old >> i & 1 else now) if raw >> i & 1 else nan for i in range(len(TABLE)))
    active, left = 0, raw
    while left:
        i = first(left)
        left &= left - 1
        if memory.active >> i & 1 or now - since[i] >= x.prepared.delays_s[i]:
            active |= 1 << i
    latched = memory.latched
    if reset:
        latched &= active
    if x.active:
        latched |= active & TRIPS
    acknowledged, returned = memory.acknowledged, memory.returned
    new = active & ~memory.active
    acknowledged &= ~new
    returned &= ~active
    if acknowledge:
        # Only what was on show can have been seen.
        acknowledged |= (memory.active | memory.latched) & ~new
        returned = 0
    returned |= memory.active & ~active & ~latched & ~acknowledged
    acknowledged &= active | latched

    permits = Permits()
    alarms = memory.alarms
    permits.news = ()
    if (active, latched, acknowledged, returned) != (
        memory.active,
        memory.latched,
        memory.acknowledged,
        memory.returned,
    ):
        before = {alarm.tag: alarm for alarm in alarms}
        listed = []
        shown = active | latched | returned
        while shown:
            i = first(shown)
            shown &= shown - 1
            row, bit = TABLE[i], 1 << i
            known = before.get(row.tag)
            fresh = known is None or new & bit
            text = row.say(x) if fresh or known is None else known.text
            since_s = now if fresh or known is None else known.since_s
            if active & bit:
                state = AlarmState.ACKNOWLEDGED if acknowledged & bit else AlarmState.UNACKNOWLEDGED
            else:
                state = AlarmState.LATCHED if latched & bit else AlarmState.RETURNED
            listed.append(Alarm(row.tag, row.kind, state, since_s, text))
        alarms = tuple(listed)
        news = [alarm for alarm in alarms if before.get(alarm.tag) != alarm]
        now_tags = {alarm.tag for alarm in alarms}
        news += [
            msgspec.structs.replace(alarm, state=AlarmState.NORMAL)
            for tag, alarm in before.items()
            if tag not in now_tags
        ]
        permits.news = tuple(news)

    permits.active, permits.latched = active, latched
    forbidden, left = 0, (active & (TRIPS | HOLDS)) | latched
    while left:
        i = first(left)
        left &= left - 1
        forbidden |= TABLE[i].takes
    permits.forbidden = forbidden
    permits.trip = first((active & TRIPS) | latched)
    permits.hold = first(active & HOLDS)
    permits.inhibit = first(active & INHIBITS)
    return Memory(raw, since, active, latched, acknowledged, returned, alarms), permits
