"""The guard itself: what its projection sees of a scan, what it does not, and that it leaves no field out."""

from __future__ import annotations

from math import inf, nan, nextafter
from typing import Any

import msgspec
import pytest

from rigctl.advice.remedies import Remedy, What
from rigctl.control.readings import RequestKind
from rigctl.control.vocabulary import AlarmState, Phase, Step
from rigctl.scan import ScanRecord, State, initial, prepare, step
from tests.guard import projection
from tests.guard.__main__ import first_difference, first_window
from tests.guard.collector import EVERY, EnoughError, Tally
from tests.guard.projection import FIELDS, FieldError, Projection, packed, paths, resolved
from tests.strategies import FULL, at_rest, change, led_to


@pytest.fixture(scope="module")
def scanned() -> tuple[ScanRecord, State]:
    """A scan with an alarm, events, a reply, a cylinder and a remedy in its record."""
    rig = led_to(Phase.LIQUID)
    rig.overrides["pt_201_pa_abs"] = 9e6
    record = rig.ask(RequestKind.ACKNOWLEDGE)
    assert record.alarms
    assert record.events
    assert record.replies
    assert record.cylinders
    remedies = (Remedy(What.ICE, 60.0, 20.0, 100.0, "Ice would help."),)
    return change(record, estimate__remedies=remedies), rig.state


_projections: list[Projection] = []


def digests(record: ScanRecord, state: State) -> dict[str, bytes]:
    if not _projections:
        _projections.append(Projection(record, state))
    return dict(zip(projection.DIGESTS, map(packed, _projections[0](record, state)), strict=True))


def seen(scanned: tuple[ScanRecord, State], record: ScanRecord, state: State | None = None) -> set[str]:
    """The digests in which another record or state shows."""
    before, after = digests(*scanned), digests(record, scanned[1] if state is None else state)
    return {name for name in before if before[name] != after[name]}


def floats(thing: Any, here: str = "") -> list[str]:
    """Paths, as `change` takes them, of all single floats in a struct."""
    found = []
    for field in msgspec.structs.fields(thing):
        value = getattr(thing, field.name)
        if isinstance(value, float):
            found.append(here + field.name)
        elif isinstance(value, msgspec.Struct):
            found += floats(value, f"{here}{field.name}__")
    return found


def at(thing: Any, path: str) -> float:
    for name in path.split("__"):
        thing = getattr(thing, name)
    value: float = thing
    return value


def test_the_last_bit_of_every_float_of_the_record_is_seen(scanned: tuple[ScanRecord, State]) -> None:
    record, _ = scanned
    places = [path for path in floats(record) if not path.startswith("readings__")]
    assert len(places) > 20
    for path in places:
        value = at(record, path)
        other = 1.0 if value != value else nextafter(value, -inf)
        assert seen(scanned, change(record, **{path: other})), path


def test_the_last_bit_of_every_float_of_the_state_is_seen(scanned: tuple[ScanRecord, State]) -> None:
    record, state = scanned
    places = floats(state)
    assert len(places) > 100
    for path in places:
        value = at(state, path)
        other = 1.0 if value != value else nextafter(value, -inf)
        assert seen(scanned, record, change(state, **{path: other})) == {"state"}, path


def test_outputs_alarms_and_steps_are_seen_as_what_moves(scanned: tuple[ScanRecord, State]) -> None:
    record, state = scanned
    alarm = change(record.alarms[0], state=AlarmState.LATCHED)
    assert seen(scanned, change(record, alarms=(alarm, *record.alarms[1:]))) == {"moves"}
    assert seen(scanned, change(record, outputs__bits=record.outputs.bits ^ 1)) == {"moves"}
    assert seen(scanned, change(record, outputs__cv_103=nextafter(record.outputs.cv_103, 1.0))) == {"moves"}
    assert seen(scanned, change(record, replies=(change(record.replies[0], accepted=False),))) == {"moves"}
    assert seen(scanned, change(record, events=record.events[1:])) == {"moves"}
    assert seen(scanned, change(record, sentence="")) == {"moves"}
    assert seen(scanned, record, change(state, control__step=Step.STANDING_BY)) == {"moves", "state"}


def test_what_only_advises_is_seen_apart(scanned: tuple[ScanRecord, State]) -> None:
    record, _ = scanned
    assert seen(scanned, change(record, estimate__finish_s=1.0)) == {"tells"}
    remedy = change(record.estimate.remedies[0], saves_s=61.0)
    assert seen(scanned, change(record, estimate__remedies=(remedy,))) == {"tells"}
    advice = change(record.events[0], kind="note", tag="")
    assert seen(scanned, change(record, events=(*record.events, advice))) == {"tells"}


def test_wording_is_not_seen(scanned: tuple[ScanRecord, State]) -> None:
    record, state = scanned
    other = change(
        record,
        sentence="In other words.",
        alarms=tuple(change(one, text="Other.") for one in record.alarms),
        events=tuple(change(one, text="Other.") for one in record.events),
        replies=tuple(change(one, text="Other.") for one in record.replies),
        estimate__remedies=tuple(change(one, sentence="Other.") for one in record.estimate.remedies),
    )
    alarms = tuple(change(one, text="Other.") for one in state.control.interlocks.alarms)
    assert alarms
    said = change(state, control__sentence="In other words.", control__interlocks__alarms=alarms)
    assert seen(scanned, other, said) == set()


def test_of_nan_there_is_one_and_of_zero_there_are_two() -> None:
    assert packed([nan]) == packed([-nan])
    assert packed([0.0]) != packed([-0.0])
    assert packed([1.0]) != packed([1])


def test_the_table_names_every_field_of_the_record(scanned: tuple[ScanRecord, State]) -> None:
    where = resolved(FIELDS, projection.ALIASES, scanned[0])
    assert set(where.values()) == set(paths(ScanRecord))


def test_a_field_that_is_nowhere_or_not_in_the_table_is_an_error(scanned: tuple[ScanRecord, State]) -> None:
    record, state = scanned
    with pytest.raises(FieldError, match=r"estimate\.gone_kg is not in ScanRecord"):
        Projection(record, state, FIELDS | {"estimate.gone_kg": "moves"})
    less = {path: digest for path, digest in FIELDS.items() if path != "estimate.net_kg"}
    with pytest.raises(FieldError, match=r"ScanRecord has estimate\.net_kg"):
        Projection(record, state, less)


def test_a_field_that_was_renamed_is_found_by_its_alias(scanned: tuple[ScanRecord, State]) -> None:
    record, state = scanned
    was = {path.replace("in_phase_s", "since_s"): digest for path, digest in FIELDS.items()}
    renamed = Projection(record, state, was, projection.ALIASES | {"since_s": ("in_phase_s",)})
    assert packed(renamed(record, state)[0]) == digests(record, state)["moves"]
    with pytest.raises(FieldError, match="since_s"):
        Projection(record, state, was)


def told(changed_at: int | None) -> tuple[dict[str, Any], list[Any]]:
    """What a tally says of a short run, of which one scan may be another, and what it keeps of its second stretch."""

    def scans(tally: Tally) -> None:
        state = initial(prepare(FULL))
        for n in range(2 * EVERY + 5):
            state, outputs, record = step(state, at_rest(FULL, 100.0 + 0.1 * n), prepare(FULL))
            if n == changed_at:
                record = change(record, estimate__flow_kg_s=nextafter(record.estimate.flow_kg_s, 1.0))
            tally.scan(record, state, outputs)

    whole, stretch = Tally(), Tally((EVERY, 2 * EVERY - 1))
    scans(whole)
    with pytest.raises(EnoughError):
        scans(stretch)
    return whole.result(), stretch.kept


def test_the_first_scan_that_differs_is_found_with_its_field() -> None:
    (was, kept_was), (now, kept_now) = told(None), told(100)
    assert was["digests"]["tells"] == now["digests"]["tells"]
    assert was["digests"]["moves"] != now["digests"]["moves"]
    assert first_window(was, now) == [EVERY, 2 * EVERY - 1]
    first = first_difference(kept_was, kept_now, projection.DIGESTS)
    assert first is not None
    assert first[0] == 100
    assert first[2] == "moves"
    assert [field[0] for field in first[3]] == ["estimate.flow_kg_s"]
