"""The recovery record: the same from live scans and from the journal, honest about what is not known."""

import base64
import html.parser
import json
import math
import re
import xml.etree.ElementTree as ElementTree

import jsonschema
import msgspec
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from rigctl.advice.report import Estimate
from rigctl.control.points import XV_301, Outputs
from rigctl.control.protect.alarms import Alarm
from rigctl.control.readings import Request, RequestKind, Source
from rigctl.control.state import CylinderFill, Event, Reply, StandingCheck
from rigctl.control.vocabulary import AlarmState, Kind, Phase
from rigctl.journal.record import (
    MOST_ENTRIES,
    SIMULATED,
    RecordBuilder,
    RecoveryRecord,
    feed,
    json_schema,
    record_from_journal,
    render_page,
    to_json,
)
from rigctl.journal.store import Journal, JournalReader
from rigctl.scan import initial, prepare
from tests.test_journal import (
    CYLINDER,
    UTC_S,
    readings,
    record,
    rig,
    run_job,
    some_record,
    stored,
)
from tests.test_journal import SETTINGS as BARE

SETTINGS = msgspec.structs.replace(BARE, fitted=msgspec.structs.replace(BARE.fitted, cooler_valves=True))

__all__ = ["rig"]  # a fixture that is used here by name only

SECOND = msgspec.structs.replace(CYLINDER, serial="C-18", tare_kg=12.1, retest_due="2026-01-31")
FIRST_CHECK = StandingCheck(125.0, 5.0, 34_000.0, 61_000.0, False)
LAST_CHECK = StandingCheck(140.0, 5.0, 33_000.0, 41_000.0, True)


def good_job(*, second_cylinder=False):
    """A small job of 60 s at 1 Hz that ends well; every time is known by construction."""
    scans = []
    hot = Alarm("TT-201.high", Kind.HOLD, AlarmState.UNACKNOWLEDGED, 110.0, "Discharge at 121 °C.")
    course = [
        (Phase.IDLE, 2), (Phase.LINE_UP, 5), (Phase.LIQUID, 10), (Phase.VAPOR, 5), (Phase.STANDING, 8),
        (Phase.VAPOR, 5), (Phase.STANDING, 10), (Phase.CLEAR_OUT, 5), (Phase.ISOLATE, 5), (Phase.COMPLETE, 5),
    ]  # fmt: skip
    scan = 0
    for phase, seconds in course:
        for _ in range(seconds):
            now_s = 100.0 + scan
            checks = () if scan < 30 else (FIRST_CHECK,) if scan < 45 else (FIRST_CHECK, LAST_CHECK)
            alarms = ()
            if 10 <= scan < 20:
                alarms = (
                    hot if scan < 12
                    else msgspec.structs.replace(hot, state=AlarmState.ACKNOWLEDGED),
                )  # fmt: skip
            net_kg = 3.1 if phase is Phase.COMPLETE else min(3.1, 0.1 * scan)
            cylinders = (CylinderFill(CYLINDER, 12.41, net_kg, 0.03),)
            if second_cylinder and scan >= 20:
                cylinders = (
                    CylinderFill(CYLINDER, 12.41, 2.0, 0.03),
                    CylinderFill(SECOND, 12.12, net_kg - 2.0, 0.03),
                )
            requests = (Request(RequestKind.START, Source.LOCAL, "r-1"),) if scan == 2 else ()
            replies = (Reply("r-1", True, "Line-up begins."),) if scan == 2 else ()
            if scan == 13:
                requests = (Request(RequestKind.RESET, Source.REMOTE, "r-2"),)
                replies = (Reply("r-2", False, "Only a person at the rig may reset."),)
            scans.append(
                record(
                    scan,
                    phase=phase,
                    readings=readings(scan, now_s=now_s, utc_s=UTC_S + scan, requests=requests),
                    estimate=Estimate(
                        net_kg=cylinders[-1].net_kg,
                        recovered_kg=net_kg,
                        recovered_uncertainty_kg=0.03,
                        fill_limit_kg=17.0,
                        contents_kg=net_kg,
                    ),
                    alarms=alarms,
                    replies=replies,
                    events=(Event("phase", "", phase.value),) if phase is not Phase.IDLE else (),
                    cylinders=cylinders,
                    standing_checks=checks,
                    # A job that has ended well has shut everything.
                    **({"outputs": Outputs()} if phase is Phase.COMPLETE else {}),
                )
            )
            scan += 1
    return scans


def test_lines_that_still_hold_refrigerant_at_the_end_are_told():
    ended = good_job()
    assert not any("hose" in said for said in built(ended).cautions)
    left_open = [
        msgspec.structs.replace(one, outputs=Outputs(XV_301)) if one.phase is Phase.COMPLETE else one for one in ended
    ]
    assert any("stay open to the cylinder" in said for said in built(left_open).cautions)
    assert any("has no clear-out" in said for said in built(ended, BARE).cautions)


def built(scans, settings=SETTINGS):
    builder = RecordBuilder(settings, version="1.0")
    for one in scans:
        builder.add(one)
    return builder.build()


def bad_job(phase, *, sentence="", **other):
    """Line-up, liquid, then straight to the end given."""
    scans = [record(i, phase=p, readings=readings(i)) for i, p in enumerate([Phase.IDLE, Phase.LINE_UP, Phase.LIQUID])]
    values = {"estimate": Estimate(recovered_kg=math.nan), "cylinders": (), "sentence": sentence, **other}
    return [*scans, *(record(i, phase=phase, readings=readings(i), **values) for i in (3, 4, 5))]


def trip():
    return Alarm("PT-201.high", Kind.TRIP, AlarmState.LATCHED, 100.3, "Discharge pressure 41.2 bar g, limit 38.0.")


# ---- the figures -------------------------------------------------------------------------------------------


def test_the_record_says_what_happened_with_all_times():
    made = built(good_job())
    assert (made.outcome, made.level_held) == ("complete", True)
    assert made.recovered_kg == 3.1
    assert made.recovered_uncertainty_kg == 0.03
    assert made.recovered_expanded_uncertainty_kg == 0.06  # k = 2: JCGM 100:2008, 6.2
    assert made.reached_level_pa_abs == 41_000.0
    assert (made.required_level_pa_abs, made.required_level_text) == (50_000.0, "15 inHg vacuum")
    assert made.duration_s == 53.0
    # UTC_S is 2026-09-21 14:13:20 by GNU date; the job starts 2 s later and ends 55 s after it.
    assert made.started_utc == "2026-09-21T14:13:22.000Z"
    assert made.ended_utc == "2026-09-21T14:14:15.000Z"
    assert [(p.name, p.duration_s) for p in made.phases] == [
        ("line_up", 5.0), ("liquid", 10.0), ("vapor", 5.0), ("standing", 8.0), ("vapor", 5.0),
        ("standing", 10.0), ("clear_out", 5.0), ("isolate", 5.0),
    ]  # fmt: skip
    assert [p.ended_utc for p in made.phases[:-1]] == [p.started_utc for p in made.phases[1:]]
    assert [(c.started_utc, c.end_pa_abs, c.passed) for c in made.standing_checks] == [
        ("2026-09-21T14:13:45.000Z", 61_000.0, False),
        ("2026-09-21T14:14:00.000Z", 41_000.0, True),
    ]
    assert [(a.tag, a.raised_utc[17:19], a.acknowledged_utc[17:19], a.returned_utc[17:19]) for a in made.alarms] == [
        ("TT-201.high", "30", "32", "40")
    ]
    assert [(r.kind, r.source, r.accepted) for r in made.requests] == [
        ("start", "local", True),
        ("reset", "remote", False),
    ]
    assert made.cautions == ()


def test_the_reason_of_a_hold_stands_once_beside_its_phases():
    course = [(Phase.VAPOR, ""), (Phase.HOLDING, "Full."), (Phase.HELD, "Full."), (Phase.RESTARTING, "Full."),
              (Phase.VAPOR, ""), (Phase.HOLDING, "Full."), (Phase.HELD, "Full and warm.")]  # fmt: skip
    made = built([record(i, phase=phase, sentence=text) for i, (phase, text) in enumerate(course)])
    assert [span.text for span in made.phases] == ["", "Full.", "", "", "", "Full.", "Full and warm."]
    assert render_page(made).count("Full and warm.") == 2  # in the table, and as what the rig waits for


def test_every_cylinder_is_listed_with_what_it_got():
    made = built(good_job(second_cylinder=True))
    assert [(c.serial, c.net_kg, c.retest_due) for c in made.cylinders] == [
        ("C-17", 2.0, "2029-04-30"),
        ("C-18", pytest.approx(1.1), "2026-01-31"),
    ]
    assert made.cautions == ("Cylinder C-18 was past its retest date 2026-01-31.",)


def test_what_the_scale_shows_after_the_end_does_not_change_the_record():
    scans = good_job()
    later = [
        msgspec.structs.replace(scans[-1], cylinders=(), estimate=Estimate(recovered_kg=-12.0), scan=100 + i)
        for i in range(3)
    ]
    assert built(scans + later).recovered_kg == 3.1
    assert built(scans + later).cylinders == built(scans).cylinders


def test_live_scans_and_the_journal_give_the_same_record(tmp_path):
    scans = good_job(second_cylinder=True)
    path = tmp_path / "a.journal"
    with Journal(path, SETTINGS, version="1.0") as journal:
        for one in scans:
            journal.offer(one)
    live = RecordBuilder(SETTINGS, version="1.0", journal_file="a.journal")
    for one in scans:
        live.add(one)
    assert record_from_journal(path) == live.build()


def test_a_whole_job_of_the_real_controller_gives_one_record_live_and_from_its_journal(tmp_path, rig):
    path = tmp_path / "a.journal"
    state, _ = run_job(path, rig, initial(prepare(rig)), 4_000)
    live = RecordBuilder(rig, journal_file="a.journal")
    with JournalReader(path) as reader:
        events = [row.event for row in reader.events()]
    for one in stored(path):
        live.add(one)
    made = live.build()
    assert made == record_from_journal(path)
    assert (made.outcome, state.control.phase) == ("complete", Phase.COMPLETE)
    assert made.level_held
    assert made.reached_level_pa_abs <= made.required_level_pa_abs
    assert made.recovered_kg == pytest.approx(sum(c.net_kg for c in made.cylinders))
    assert made.duration_s == pytest.approx(sum(p.duration_s for p in made.phases))
    # The controller's own events tell the same story: one "phase" event for each phase entered.
    entered = [e.tag for e in events if e.kind == "phase" and e.tag != "complete"]
    assert [p.name for p in made.phases] == entered
    assert sum(e.kind == "standing" for e in events) == len(made.standing_checks)


@hypothesis_settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(scans=st.lists(some_record, min_size=1, max_size=8))
def test_live_scans_and_the_journal_give_the_same_record_whatever_they_hold(tmp_path_factory, scans):
    path = tmp_path_factory.mktemp("wild") / "a.journal"
    with Journal(path, SETTINGS, version="1.0") as journal:
        for one in scans:
            journal.offer(one)
    live = RecordBuilder(SETTINGS, version="1.0", journal_file="a.journal")
    for one in scans:
        live.add(one)
    made = live.build()
    assert to_json(record_from_journal(path)) == to_json(made)
    jsonschema.validate(json.loads(to_json(made)), json_schema())
    assert "</html>" in render_page(made)


def test_the_record_goes_on_over_a_restart_of_the_controller(tmp_path):
    scans = good_job()
    path = tmp_path / "a.journal"
    before, after = scans[:15], scans[15:]
    # The monotonic clock begins anew, and the power was off for 600 s.
    shifted = [
        msgspec.structs.replace(
            one,
            readings=msgspec.structs.replace(
                one.readings, now_s=one.readings.now_s - 110.0, utc_s=one.readings.utc_s + 600.0
            ),
        )
        for one in after
    ]
    with Journal(path, SETTINGS, version="1.0") as journal:
        for one in before:
            journal.offer(one)
    live = RecordBuilder(SETTINGS, version="1.0", journal_file="a.journal")
    with JournalReader(path) as reader:
        feed(live, reader)
    live.restarted()
    with Journal(path, SETTINGS, version="1.0") as journal:
        for one in shifted:
            live.add(one)
            journal.offer(one)
    made = live.build()
    assert made == record_from_journal(path)
    assert made.restarts == 1
    # 53 s less the one second between the last scan before and the first after, which nobody saw.
    assert made.duration_s == 52.0
    assert [p.name for p in made.phases][:3] == ["line_up", "liquid", "vapor"]
    assert made.phases[1].duration_s == 9.0
    assert any("started again once" in caution for caution in made.cautions)
    assert not any("clock" in caution for caution in made.cautions)


def test_missing_scans_are_counted_in_the_record(tmp_path):
    path = tmp_path / "a.journal"
    with Journal(path, SETTINGS) as journal:
        for one in good_job():
            if one.scan == 40:
                with journal._wake:
                    journal._dropped += 3
                    journal._dropped_since += 3
            journal.offer(one)
    made = record_from_journal(path)
    assert made.scans_missing == 3
    assert "3 scans are missing in the journal." in made.cautions


# ---- cautions ----------------------------------------------------------------------------------------------


def with_job(**values):
    return msgspec.structs.replace(SETTINGS, job=msgspec.structs.replace(SETTINGS.job, **values))


@pytest.mark.parametrize(
    ("settings", "scans", "part"),
    [
        (with_job(charge_kg=9.0), good_job(), "5.90 kg less than the declared charge"),
        (with_job(charge_kg=1.0), good_job(), "2.10 kg more than the declared charge"),
        (with_job(level_pa_abs=40_000.0), good_job(), "is above the required level"),
        (with_job(refrigerant="R-22"), good_job(), "labelled R-410A, the appliance holds R-22"),
        (SETTINGS, bad_job(Phase.HELD), "not complete: treat the appliance as charged"),
        (SETTINGS, bad_job(Phase.HELD), "No standing check was made"),
        (SETTINGS, bad_job(Phase.HELD), "The recovered mass is not known"),
        (SETTINGS, bad_job(Phase.HELD), "No cylinder data"),
        (
            SETTINGS,
            bad_job(Phase.HELD, standing_checks=(FIRST_CHECK,)),
            "The last standing check did not pass: refrigerant is left",
        ),
        (SETTINGS, bad_job(Phase.HELD, estimate=Estimate(recovered_kg=1.0)), "uncertainty of the recovered mass"),
    ],
)
def test_what_a_reader_has_to_know_is_said(settings, scans, part):
    assert any(part in caution for caution in built(scans, settings).cautions)


def test_an_overfilled_cylinder_is_said():
    scans = [
        msgspec.structs.replace(one, estimate=msgspec.structs.replace(one.estimate, fill_limit_kg=3.0))
        for one in good_job()
    ]
    assert any("0.10 kg above its fill limit" in caution for caution in built(scans).cautions)


def test_a_scale_that_disagrees_with_the_compressor_estimate_is_said():
    scans = [
        msgspec.structs.replace(
            one,
            estimate=msgspec.structs.replace(
                one.estimate, net_uncertainty_kg=0.03, second_kg=4.0, second_uncertainty_kg=0.3
            ),
        )
        for one in good_job()
    ]
    # 0.9 kg apart; k = 2 of sqrt(0.03^2 + 0.3^2) kg is 0.60 kg.
    assert any("differ by 0.90 kg" in caution for caution in built(scans).cautions)


def test_a_clock_set_during_the_job_is_said_and_durations_stay_right():
    scans = [
        one if one.scan < 30 else msgspec.structs.replace(
            one, readings=msgspec.structs.replace(one.readings, utc_s=one.readings.utc_s + 3600.0)
        )
        for one in good_job()
    ]  # fmt: skip
    made = built(scans)
    assert made.duration_s == 53.0
    assert any("clock was set by 3600 s" in caution for caution in made.cautions)


def test_a_clock_that_never_was_set_is_said():
    scans = [
        msgspec.structs.replace(one, readings=msgspec.structs.replace(one.readings, utc_s=float(one.scan)))
        for one in good_job()
    ]
    assert any("clock was not set" in caution for caution in built(scans).cautions)


# ---- bad ends ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("scans", "outcome", "text"),
    [
        (bad_job(Phase.ABORTED, alarms=(trip(),)), "aborted", "PT-201.high: Discharge pressure 41.2 bar g"),
        (bad_job(Phase.HELD, sentence="Change the cylinder: it is full."), "held", "Change the cylinder"),
        (bad_job(Phase.STOPPED), "stopped", "Stopped on request before the job was complete."),
        (bad_job(Phase.VAPOR), "unfinished", "the record ends in phase vapor"),
        (bad_job(Phase.COMPLETE), "complete", "no passed standing check"),
        ([record(0, phase=Phase.IDLE)], "unfinished", "never started"),
        ([], "unfinished", "never started"),
    ],
)
def test_a_bad_end_is_told_as_it_was(scans, outcome, text):
    made = built(scans)
    assert made.outcome == outcome
    assert text in made.outcome_text
    jsonschema.validate(json.loads(to_json(made)), json_schema())
    page = render_page(made)
    assert text in page.replace("&#39;", "'")
    assert not re.search(r"\bnan\b|\bNone\b|\binf\b", page)


def test_a_trip_keeps_its_raise_return_acknowledgement_and_reset():
    raised = msgspec.structs.replace(trip(), state=AlarmState.UNACKNOWLEDGED)
    seen = msgspec.structs.replace(raised, state=AlarmState.ACKNOWLEDGED)
    scans = [
        record(i, phase=Phase.ABORTED if i else Phase.LIQUID, alarms=a, readings=readings(i, utc_s=UTC_S + i))
        for i, a in enumerate([(), (raised,), (raised,), (seen,), (trip(),), (trip(),), ()])
    ]
    (entry,) = built(scans).alarms
    times = (entry.raised_utc, entry.acknowledged_utc, entry.returned_utc, entry.reset_utc)
    assert [t[17:19] for t in times] == ["21", "23", "24", "26"]


def test_an_alarm_that_returned_unseen_is_acknowledged_when_it_goes():
    # ISA-18.2: from "returned to normal, unacknowledged" the acknowledgement leads to normal.
    raised = msgspec.structs.replace(trip(), kind=Kind.ADVICE, state=AlarmState.UNACKNOWLEDGED)
    gone = msgspec.structs.replace(raised, state=AlarmState.RETURNED)
    scans = [record(i, alarms=a, readings=readings(i, utc_s=UTC_S + i)) for i, a in enumerate([(raised,), (gone,), ()])]
    (entry,) = built(scans).alarms
    assert [t[17:19] for t in (entry.raised_utc, entry.returned_utc, entry.acknowledged_utc)] == ["20", "21", "22"]


def test_a_chattering_contact_does_not_fill_the_record():
    alarm = msgspec.structs.replace(trip(), kind=Kind.ADVICE, state=AlarmState.UNACKNOWLEDGED)
    scans = [record(i, alarms=(alarm,) if i % 2 else ()) for i in range(2 * MOST_ENTRIES + 40)]
    made = built(scans)
    assert len(made.alarms) == MOST_ENTRIES
    assert any("20 further alarms" in caution for caution in made.cautions)


# ---- JSON and page -----------------------------------------------------------------------------------------


def test_the_json_is_valid_by_the_published_schema_and_reads_back():
    made = built(good_job())
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(to_json(made)), schema)
    assert msgspec.json.decode(to_json(made), type=RecoveryRecord) == made
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**json.loads(to_json(made)), "recovered_kg": "3.1 kg"}, schema)


class Page(html.parser.HTMLParser):
    """Collects tags, attributes and text."""

    VOID = ("meta", "img", "br", "hr", "link", "input")

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.words, self.open = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.words.append(data)


def test_the_page_shows_both_systems_of_units():
    text = " ".join(Page(render_page(built(good_job()))).words)
    # 3.1 kg and 0.06 kg over 0.45359237 kg/lb (exact by the international pound) are 6.834 and 0.132 lb.
    assert "3.100 ± 0.060 kg" in text
    assert "6.83 ± 0.13 lb" in text
    # 41 kPa abs is (101.325 - 41) / 3.38639 = 17.8 inHg of vacuum (NIST SP 811, B.8).
    assert "41.0 kPa abs" in text
    assert "17.8 inHg vac" in text


def test_the_page_runs_nothing_and_loads_nothing():
    plot = '<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script><rect width="1" height="1"/></svg>'
    page = Page(render_page(built(good_job()), plot))
    assert page.open == []
    assert not {"script", "iframe", "object", "embed", "link", "svg", "form"} & set(page.tags)
    for name, value in page.attributes:
        assert not name.startswith("on")
        if name in ("src", "href"):
            assert value.startswith("data:image/svg+xml;base64,")


def test_text_of_people_is_shown_and_never_taken_as_markup():
    nasty = "<b onmouseover=x>&\"'</b>"
    settings = with_job(technician=nasty, site=nasty, level_text=nasty, name=nasty)
    page = Page(render_page(built(good_job(), settings)))
    assert "b" not in page.tags
    assert "".join(page.words).count(nasty) >= 3


def test_the_page_has_signatures_cautions_and_says_it_is_no_safety_device():
    text = " ".join(" ".join(Page(render_page(built(good_job()))).words).split())
    assert "This software is not a safety device." in text
    assert "Local codes and law" in text
    assert "licensed practice" in text
    assert text.count("signature, date") == 2


def test_the_plot_is_put_in_as_it_was_given():
    plot = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 2 1"><rect width="1" height="1"/></svg>'
    page = Page(render_page(built(good_job()), plot))
    (source,) = [value for name, value in page.attributes if name == "src"]
    assert ElementTree.fromstring(base64.b64decode(source.split(",")[1])).get("viewBox") == "0 0 2 1"


@pytest.mark.parametrize("simulated", [False, True])
def test_a_record_of_a_simulated_rig_says_so(simulated):
    builder = RecordBuilder(msgspec.structs.replace(SETTINGS, simulated=simulated), version="1")
    for scan in good_job():
        builder.add(scan)
    assert (SIMULATED in builder.build().cautions) is simulated
