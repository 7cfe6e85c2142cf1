"""Shared by the tests of the control core: settings as supplied, readings sound and wild, a puppet rig."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import inf, nan
from pathlib import Path
from typing import Any

import msgspec
from hypothesis import strategies as st

from rigctl import config, scan
from rigctl.control.points import INLETS, M_101, XV_104, XV_105, XV_203, Outputs
from rigctl.control.readings import ABSENT, Fault, Reading, Readings, Request, RequestKind, Source
from rigctl.control.settings import Cylinder, Settings
from rigctl.control.vocabulary import Ask, Phase
from rigctl.refrigerant import catalogue
from rigctl.scan import ScanRecord, State, prepare

CONFIGS = Path(__file__).parent.parent / "configs"


def change(struct: Any, **changes: Any) -> Any:
    """A copy with changes; `limits__gas_alarm_lfl=0.1` reaches into a field of a field."""
    here = {key: value for key, value in changes.items() if "__" not in key}
    for key, value in changes.items():
        if "__" in key:
            outer, inner = key.split("__", 1)
            here[outer] = change(here.get(outer, getattr(struct, outer)), **{inner: value})
    return msgspec.structs.replace(struct, **here)


def _supplied() -> Iterator[tuple[str, Settings]]:
    jobs = {path.stem: config.load_job(path) for path in sorted(CONFIGS.glob("jobs/*.toml"))}
    for path in sorted(CONFIGS.glob("rigs/*.toml")):
        rig = config.load_rig(path)
        for name, job in jobs.items():
            try:
                settings = config.settings_for(rig, job)
            except config.ConfigError:
                continue  # this job may not be run on this rig; tests/test_config.py says why
            yield f"{path.stem}, {name}", change(settings, job__charge_kg=min(0.8, settings.job.charge_kg or 0.8))


SUPPLIED: dict[str, Settings] = dict(_supplied())
"""Every supplied rig with every supplied job that may be run on it, with a charge small enough for a short test."""
FULL = SUPPLIED["full, split-ac"]
WATER = SUPPLIED["full, chiller"]
BASIC = SUPPLIED["basic, split-ac"]
SHOP = SUPPLIED["shop, split-ac"]

ANALOGUE = (
    "pt_101_pa_abs", "pt_201_pa_abs", "wt_301_kg", "pt_102_pa_abs", "pt_301_pa_abs", "pt_001_pa_abs",
    "tt_101_degc", "tt_201_degc", "tt_301_degc", "tt_001_degc", "at_001_lfl",
)  # fmt: skip
CONTACTS = ("fs_001_flow", "lsh_301_ok", "psh_201_ok", "hs_001_ok", "m_101_ok")
INSTRUMENTS = ANALOGUE + CONTACTS
COMPULSORY = ("pt_101_pa_abs", "pt_201_pa_abs", "wt_301_kg")


def fitted(settings: Settings, name: str) -> bool:
    """Whether an instrument, by its field of Readings, is on the rig."""
    if name in COMPULSORY:
        return True
    key = name if name == "m_101_ok" else "_".join(name.split("_")[:2])
    return bool(getattr(settings.fitted, key))


def at_rest(settings: Settings, now_s: float = 100.0, **values: Any) -> Readings:
    """Readings of a rig at rest and in order: saturated appliance, cooler cylinder, everything fitted and fresh.

    A keyword replaces one field: a number is taken as a fresh value, anything else as it is.
    """
    job = settings.job
    refrigerant = catalogue.get(job.refrigerant)
    appliance = refrigerant.bubble_pressure_pa_abs(job.ambient_degc)
    plain: dict[str, float] = {
        "pt_101_pa_abs": appliance,
        "pt_201_pa_abs": appliance,
        "wt_301_kg": settings.cylinder.tare_kg + 0.5,
        "pt_102_pa_abs": appliance,
        "pt_301_pa_abs": appliance,
        "pt_001_pa_abs": appliance,
        "tt_101_degc": job.ambient_degc,
        "tt_201_degc": job.ambient_degc,
        "tt_301_degc": job.ambient_degc,
        "tt_001_degc": job.ambient_degc,
        "at_001_lfl": 0.0,
        **dict.fromkeys(CONTACTS, 1.0),
    }
    fields: dict[str, Any] = {
        name: Reading(value, now_s) if fitted(settings, name) else ABSENT for name, value in plain.items()
    }
    fields["readback"] = 0 if settings.fitted.readback else None
    for name, value in values.items():
        number = isinstance(value, float) and name in INSTRUMENTS
        fields[name] = Reading(value, now_s) if number else value
    return Readings(now_s=now_s, utc_s=1.75e9 + now_s, **fields)


def request(kind: RequestKind, source: Source = Source.LOCAL, cylinder: Cylinder | None = None) -> Request:
    """One request of a person."""
    return Request(kind, source, f"{source.value}-{kind.value}", cylinder)


def _faulty(fault: Fault) -> Callable[[float, float, float], Reading]:
    return lambda value, now_s, age_s: Reading(value, now_s, fault)


UNFIT: dict[str, Callable[[float, float, float], Reading]] = {
    **{f"fault {fault.name.lower()}": _faulty(fault) for fault in Fault},
    "not a number": lambda value, now_s, age_s: Reading(nan, now_s),
    "plus infinity": lambda value, now_s, age_s: Reading(inf, now_s),
    "minus infinity": lambda value, now_s, age_s: Reading(-inf, now_s),
    "just too old": lambda value, now_s, age_s: Reading(value, now_s - age_s * (1.0 + 1e-9) - 1e-9),
    "very old": lambda value, now_s, age_s: Reading(value, now_s - 1e6),
    "from the future": lambda value, now_s, age_s: Reading(value, now_s + 0.001),
    "of no known time": lambda value, now_s, age_s: Reading(value, nan),
}
"""Every way in which a reading that shows a good value may not be used."""

# --- wild data

values = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, -0.0, nan, inf, -inf, 1.0, 5e-324, -5e-324, 1e308, -1e308, 101325.0]),
    st.floats(-100.0, 200.0),
    st.floats(0.0, 6e6),
)
"""Numbers a broken instrument or driver may hand over."""


def wild_reading(now_s: float, max_age_s: float) -> st.SearchStrategy[Reading]:
    """A reading of any value, age and fault, mostly fresh and without one."""
    taken = st.one_of(
        st.just(now_s),
        st.just(now_s),
        st.sampled_from([now_s - max_age_s, now_s - 1.01 * max_age_s, now_s + 1e-6, now_s - 1e9, nan, inf, -inf]),
    )
    fault = st.one_of(st.none(), st.none(), st.none(), st.sampled_from(Fault))
    return st.builds(Reading, values, taken, fault)


requests = st.lists(
    st.builds(request, st.sampled_from(RequestKind), st.sampled_from(Source)), max_size=3
).map(tuple)  # fmt: skip


def wild_readings(settings: Settings, now_s: float) -> st.SearchStrategy[Readings]:
    """Readings of a rig in order, of which any number are replaced by wild ones."""
    wild = wild_reading(now_s, settings.instruments.reading_max_age_s)
    optional = dict.fromkeys(INSTRUMENTS, wild)
    return st.fixed_dictionaries(
        {},
        optional={**optional, "readback": st.one_of(st.none(), st.integers(-(2**40), 2**40)), "requests": requests},
    ).map(lambda changes: at_rest(settings, now_s, **changes))


# --- a rig that plays along


ACROSS_KG_S = 0.06
"""What crosses in the puppet's push-pull."""


class Puppet:
    """Plays an obliging rig, so that the procedure can be led into any phase. No physics: see hil_sim for that.

    The scale gains what the compressor is reckoned to have pumped, the appliance falls while it is pumped, a
    header with shut inlets falls faster, the cooler gives the header a puff when XV-203 opens, and read-backs follow
    their commands.
    """

    def __init__(self, settings: Settings, liquid_kg: float = 0.6) -> None:
        self.settings = settings
        self.now_s = 1000.0
        self.state: State = scan.initial(prepare(settings))
        refrigerant = catalogue.get(settings.job.refrigerant)
        self.saturated_pa_abs = refrigerant.bubble_pressure_pa_abs(settings.job.ambient_degc)
        self.appliance_pa_abs = self.header_pa_abs = self.saturated_pa_abs
        self.liquid_kg = liquid_kg
        self.gross_kg = settings.cylinder.tare_kg + 0.5
        self.records: list[ScanRecord] = []
        self.overrides: dict[str, Any] = {}
        self.rise_pa = 0.0
        """How far the appliance comes back in a standing check."""
        self.cooler_opens = True
        """Whether XV-203 connects the cooler to the header when it is told to."""

    @property
    def phase(self) -> Phase:
        return self.state.control.phase

    @property
    def outputs(self) -> Outputs:
        return self.state.control.drive.outputs

    def readings(self, *asked: Request) -> Readings:
        """What the instruments show now."""
        liquid = self.liquid_kg > 0.0
        discharge = self.saturated_pa_abs * 1.1
        shown: dict[str, Any] = {
            "pt_101_pa_abs": self.header_pa_abs,
            "pt_201_pa_abs": discharge,
            "wt_301_kg": self.gross_kg,
            "requests": asked,
        }
        follow: dict[str, float] = {
            "pt_102_pa_abs": self.header_pa_abs * (0.4 if liquid else 0.9),
            "pt_301_pa_abs": self.cylinder_pa_abs(),
            "pt_001_pa_abs": self.appliance_pa_abs,
        }
        shown |= {name: value for name, value in follow.items() if fitted(self.settings, name)}
        if self.settings.fitted.readback:
            shown["readback"] = self.outputs.bits
        return at_rest(self.settings, self.now_s, **(shown | self.overrides))

    def nearly_full_kg(self) -> float:
        """A fill limit at which the cylinder now on is full but for part of its reserve."""
        return self.records[-1].estimate.contents_kg + 0.4 * self.settings.limits.fill_reserve_kg

    def cylinder_pa_abs(self) -> float:
        """In push-pull the compressor holds it below the appliance, as long as no vapor comes across."""
        if self.outputs.bits & XV_105:
            return self.saturated_pa_abs * (0.8 if self.liquid_kg > 0.0 else 0.95)
        return self.saturated_pa_abs * 1.02

    def scan(self, *asked: Request) -> ScanRecord:
        """One scan later."""
        self.now_s += self.settings.scan_period_s
        before, bits_before = self.state.control.estimate.pumped.kg, self.outputs.bits
        self.state, _, record = scan.step(self.state, self.readings(*asked), prepare(self.settings))
        moved = max(0.0, self.state.control.estimate.pumped.kg - before)
        across = self.settings.scan_period_s * (ACROSS_KG_S if self.liquid_kg > 0.0 else 0.02 * ACROSS_KG_S)
        if bits_before & XV_104:
            moved = across
            self.liquid_kg -= across
        self.gross_kg += moved
        bits, dt = self.outputs.bits, self.settings.scan_period_s
        inlet, pumping = bool(bits & INLETS), bool(bits & M_101)
        if inlet and pumping:
            self.liquid_kg -= moved
            if self.liquid_kg <= 0.0:
                self.appliance_pa_abs = max(
                    0.95 * self.state.control.pull.target_pa_abs, self.appliance_pa_abs * (1.0 - dt / 4)
                )
        if inlet:
            # Without CV-103 the wide restriction draws the header down while liquid comes.
            share = 0.3 if pumping and self.liquid_kg > 0.0 and not self.settings.fitted.cv_103 else 1.0
            self.header_pa_abs = share * self.appliance_pa_abs
        elif bits & XV_105:
            self.header_pa_abs = self.cylinder_pa_abs()
        elif pumping:
            self.header_pa_abs *= 1.0 - dt / 2
        if bits & ~bits_before & XV_203 and self.cooler_opens:
            self.header_pa_abs += 1e5
        if self.phase is Phase.STANDING and self.rise_pa:
            self.appliance_pa_abs = self.header_pa_abs = self.settings.job.level_pa_abs + self.rise_pa
        self.records.append(record)
        return record

    def ask(self, kind: RequestKind, source: Source = Source.LOCAL, cylinder: Cylinder | None = None) -> ScanRecord:
        """One scan with a request."""
        return self.scan(request(kind, source, cylinder))

    def run(self, until: Callable[[Puppet], bool], within_s: float = 900.0) -> Puppet:
        """Scan until something is so; fails the test when it does not come about in time."""
        end = self.now_s + within_s
        while not until(self):
            if self.now_s >= end:
                raise AssertionError(f"stuck in {self.phase}: {self.state.control.sentence!r}")
            self.scan(*self._hose_moved())
        return self

    def _hose_moved(self) -> tuple[Request, ...]:
        """On a rig with one inlet: the person who moves the hose when asked to."""
        asks_for_hose = self.state.control.ask in (Ask.HOSE_TO_LIQUID, Ask.HOSE_TO_VAPOR)
        return (request(RequestKind.RESTART),) if self.phase is Phase.HELD and asks_for_hose else ()

    def to(self, *phases: Phase, within_s: float = 900.0) -> Puppet:
        """Scan until one of these phases is reached."""
        return self.run(lambda rig: rig.phase in phases, within_s)

    def wait(self, seconds: float) -> Puppet:
        """Scan for so long."""
        for _ in range(round(seconds / self.settings.scan_period_s)):
            self.scan()
        return self


_cache: dict[tuple[int, Phase], Puppet] = {}


def led_to(phase: Phase, settings: Settings = FULL) -> Puppet:
    """A puppet rig in a phase, half a second in, as a fresh copy; the way there is walked once and kept."""
    key = id(settings), phase
    if key not in _cache:
        _cache[key] = _lead(phase, settings)
    kept = _cache[key]
    copy = Puppet(settings)
    copy.__dict__.update(kept.__dict__)
    copy.records = list(kept.records)
    copy.overrides = dict(kept.overrides)
    return copy


def _lead(phase: Phase, settings: Settings) -> Puppet:
    before: dict[Phase, tuple[Phase, RequestKind | None]] = {
        Phase.LINE_UP: (Phase.IDLE, RequestKind.START),
        Phase.PUSH_PULL: (Phase.IDLE, RequestKind.START),
        Phase.LIQUID: (Phase.LINE_UP, None),
        Phase.VAPOR: (Phase.LIQUID if settings.job.liquid_first else Phase.LINE_UP, None),
        Phase.STANDING: (Phase.VAPOR, None),
        Phase.CLEAR_OUT: (Phase.STANDING, None),
        Phase.ISOLATE: (Phase.CLEAR_OUT if settings.fitted.cooler_valves else Phase.STANDING, None),
        Phase.COMPLETE: (Phase.ISOLATE, None),
        Phase.HOLDING: (Phase.VAPOR, RequestKind.HOLD),
        Phase.HELD: (Phase.HOLDING, None),
        Phase.RESTARTING: (Phase.HELD, RequestKind.RESTART),
        Phase.STOPPING: (Phase.VAPOR, RequestKind.STOP),
        Phase.STOPPED: (Phase.STOPPING, None),
        Phase.ABORTING: (Phase.VAPOR, RequestKind.ABORT),
        Phase.ABORTED: (Phase.ABORTING, None),
    }
    if phase is Phase.IDLE:
        return Puppet(settings).wait(0.5)
    source, asked = before[phase]
    if phase is Phase.PUSH_PULL:
        return _pressed(settings)
    rig = led_to(source, settings)
    if source in (Phase.VAPOR, Phase.LIQUID) and asked is not None:
        rig.run(lambda puppet: puppet.outputs.on(M_101))
    if asked is not None:
        rig.ask(asked)
    return rig.to(phase).wait(0.5)


def _pressed(settings: Settings) -> Puppet:
    """A puppet rig whose liquid crosses: it had been told of more than these settings say."""
    hookup = change(settings.hookup, liquid_core_in=False, liquid_hose_bore_m=0.0095, manifold=False)
    rig = Puppet(change(settings, job__charge_kg=30.0, hookup=hookup), liquid_kg=3.0)
    rig.wait(0.5).ask(RequestKind.START)
    rig.to(Phase.PUSH_PULL).run(lambda puppet: puppet.outputs.on(M_101 | XV_104))
    rig.settings = settings
    return rig.wait(0.5)


def phases_of(settings: Settings) -> Sequence[Phase]:
    """The phases that this rig and job go through."""
    missing = set() if settings.job.liquid_first else {Phase.LIQUID}
    if not (settings.fitted.push_pull and settings.job.liquid_first):
        missing.add(Phase.PUSH_PULL)
    if not settings.fitted.cooler_valves:
        missing.add(Phase.CLEAR_OUT)
    return [phase for phase in Phase if phase not in missing]
