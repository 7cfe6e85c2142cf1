"""Runs without a plant: adversarial readings given to states that were taken out of runs with one."""

from __future__ import annotations

from math import inf, nan

import msgspec

from tests.guard.adapter import Core, found, of, outputs_bits
from tests.guard.corpus import Case, Draw, Presser, bench_of, change

DONORS = 60
SNAPSHOTS = 14
"""States taken out of one run."""
SCANS = 350
"""About so many are made from each of them."""
ANALOGUE = (
    "pt_101_pa_abs", "pt_201_pa_abs", "wt_301_kg", "pt_102_pa_abs", "pt_301_pa_abs", "pt_001_pa_abs",
    "tt_101_degc", "tt_201_degc", "tt_301_degc", "tt_001_degc", "at_001_lfl",
)  # fmt: skip
CONTACTS = ("fs_001_flow", "lsh_301_ok", "psh_201_ok", "hs_001_ok", "m_101_ok")
COMPULSORY = ANALOGUE[:3]
HUGE = (0.0, -0.0, 5e-324, -1.0, 1e-9, 1e9, 1e308, -1e308, 101_325.0)


def cases():
    """All runs without a plant, in a fixed order."""
    return [Case(f"open loop {n}", 4000 + SNAPSHOTS * SCANS, _opened(f"open loop {n}")) for n in range(DONORS)]


def has(settings, name):
    """Whether an instrument, by its field of the readings, is on the rig."""
    key = name if name == "m_101_ok" else "_".join(name.split("_")[:2])
    return name in COMPULSORY or bool(getattr(settings.fitted, key))


class Puppet:
    """Plays a rig by rules of thumb, so that the procedure goes on; no physics. Its character is drawn.

    Looks at the outputs, the phase and what is asked, and at nothing of the carried state: that may be laid out
    another way tomorrow.
    """

    def __init__(self, draw, core, state, readings):
        self.draw, self.core, self.state, self.settings = draw, core, state, core.settings
        self.dt_s = self.settings.scan_period_s
        self.now_s = readings.now_s if readings is not None else 100.0
        self.bit = outputs_bits()
        job, cylinder = self.settings.job, self.settings.cylinder
        self.saturated = found("catalogue").get(job.refrigerant).bubble_pressure_pa_abs(job.ambient_degc)
        rest = dict.fromkeys(ANALOGUE[:6], self.saturated) | dict.fromkeys(ANALOGUE[6:10], job.ambient_degc)
        rest |= {"wt_301_kg": cylinder.tare_kg + max(cylinder.residual_kg, 0.2), "at_001_lfl": 0.0}
        if readings is not None:
            for name in ANALOGUE:
                reading = getattr(readings, name)
                if reading.fault is None and reading.value == reading.value:
                    rest[name] = reading.value
        self.values = rest
        self.outputs = None
        self.record = None
        self.spells = {}
        self.next_dts = []
        self.phase = None
        self.waited = 0
        self.requests = 0
        self._character()

    def _character(self):
        draw = self.draw
        self.liquid_kg = draw.choice((0.0, 0.1, 0.5, 3.0))
        self.flow_kg_s = draw.log_uniform(2e-3, 8e-2)
        self.falls_s = draw.log_uniform(2.0, 60.0)
        self.rises_pa_s = draw.choice((0.0, 5.0, 50.0, 300.0, 2000.0))
        self.across_kg_s = draw.choice((0.0, 0.02, 0.08, 0.3))
        self.pressed_pa = draw.choice((None, 8e3, 4e4, 2e5))
        self.heats_k_s = draw.choice((0.0, 0.0, 0.5, 2.0))
        self.leaks_kg_s = draw.choice((0.0, 0.0, 0.0, 0.0, 0.05, 0.3))
        self.warms_k_s = draw.choice((0.0, 0.0, 0.3, 2.0))
        self.presses_pa_s = draw.choice((0.0, 0.0, 2e3, 2e4, 1e5))
        self.calm = draw.chance(0.25)
        self.obeys = draw.choice((0.02, 0.1))
        self.asks = draw.choice((0.0, 0.002, 0.01))
        self.strange = 0.0 if self.calm else draw.choice((0.002, 0.01, 0.05))

    # ---------------------------------------------------------------- one scan

    def scan(self, tally):
        """One scan later."""
        draw = self.draw
        dt = self.dt_s
        if self.next_dts:
            dt = self.next_dts.pop()
        elif not self.calm and draw.chance(0.002):
            dt = draw.choice((0.0, 1e-9, 0.4, 0.6, 1.9, 2.1, 30.0, 4000.0, -1.0))
        self.now_s += dt
        self._evolve(dt)
        if draw.chance(0.003):
            self._near_a_limit()
        self._aim()
        readings = self._readings()
        self.state, self.outputs, self.record = self.core.step(self.state, readings)
        tally.scan(self.record, self.state, self.outputs)
        if draw.chance(0.001):
            self._power_loss()
        elif draw.chance(0.002):
            self.state = _round_trip(self.state)

    def _power_loss(self):
        self.state = self.core.after_power_loss(_round_trip(self.state))
        self.outputs = None
        if self.draw.chance(0.7):
            self.now_s = self.draw.uniform(0.0, 50.0)
            if self.draw.chance(0.2):  # a clock that hardly moves
                self.now_s, self.next_dts = 0.0, [5e-324, 5e-324, 0.0]

    def _evolve(self, dt):
        draw, v, bits = self.draw, self.values, self.outputs.bits if self.outputs is not None else 0
        on = lambda *tags: any(bits & self.bit[tag] for tag in tags)  # noqa: E731
        dt = min(max(dt, 0.0), 1.0)
        pumping, inlet = on("M-101"), on("XV-101", "XV-102")
        out = pumping and on("XV-301", "XV-106")
        appliance = v["pt_001_pa_abs"]
        flow = 0.0
        if pumping and inlet:
            flow = self.flow_kg_s if self.liquid_kg > 0.0 else self.flow_kg_s * min(v["pt_101_pa_abs"] / 1e6, 0.3)
            self.liquid_kg -= flow * dt
            if self.liquid_kg <= 0.0:
                appliance -= appliance * dt / self.falls_s
        else:
            appliance += self.rises_pa_s * dt
            v["tt_001_degc"] += self.heats_k_s * dt
            appliance += appliance * self.heats_k_s * dt / (273.15 + v["tt_001_degc"])
        if on("XV-105") and self.pressed_pa is not None:
            appliance = v["pt_301_pa_abs"] + max(self.pressed_pa, 0.0 if on("XV-104") else 3.5e4)
        if on("XV-104"):
            flow = self.across_kg_s if self.liquid_kg > 0.0 else 0.1 * self.across_kg_s
            self.liquid_kg -= flow * dt
            appliance += self.presses_pa_s * dt
        v["pt_001_pa_abs"] = min(max(appliance, 500.0), 6e6)
        if inlet:
            v["pt_101_pa_abs"] = appliance * (0.9 if pumping else 1.0)
        elif pumping:
            v["pt_101_pa_abs"] *= 1.0 - 0.5 * dt
            if on("XV-203") and draw.chance(0.02):
                v["pt_101_pa_abs"] += 1e5
        v["pt_102_pa_abs"] = v["pt_101_pa_abs"] * (0.4 if self.liquid_kg > 0.0 else 0.85)
        v["wt_301_kg"] -= self.leaks_kg_s * dt
        if out:
            v["wt_301_kg"] += flow * dt
            v["pt_201_pa_abs"] += self.presses_pa_s * dt
            v["tt_201_degc"] += self.warms_k_s * dt
            v["tt_301_degc"] += 0.1 * self.warms_k_s * dt
        v["pt_201_pa_abs"] += (1.08 * v["pt_301_pa_abs"] - v["pt_201_pa_abs"]) * 0.3 * dt
        for name in ANALOGUE[6:10]:
            v[name] += (self.settings.job.ambient_degc - v[name]) * 0.01 * dt + 0.02 * draw.uniform(-1.0, 1.0)

    def _near_a_limit(self):
        """A jump to where something may change its mind."""
        draw, limits, job = self.draw, self.settings.limits, self.settings.job
        about = draw.choice((0.97, 0.99, 0.999, 1.0, 1.001, 1.01, 1.03))
        cylinder = self.settings.cylinder
        name, value = draw.choice(
            (
                ("pt_201_pa_abs", limits.discharge_high_pa_abs),
                ("tt_201_degc", limits.discharge_high_degc),
                ("tt_301_degc", limits.cylinder_high_degc),
                ("tt_301_degc", limits.cylinder_warm_degc),
                ("pt_301_pa_abs", cylinder.service_pressure_pa_gauge * limits.cylinder_pause_fraction + 101_325.0),
                ("pt_301_pa_abs", cylinder.service_pressure_pa_gauge + 101_325.0),
                ("pt_001_pa_abs", job.level_pa_abs),
                ("pt_001_pa_abs", 0.7 * job.level_pa_abs),
                ("pt_001_pa_abs", self.saturated),
                ("pt_101_pa_abs", limits.suction_starved_pa_abs),
                ("pt_101_pa_abs", self.settings.procedure.clear_out_level_pa_abs),
                ("wt_301_kg", cylinder.tare_kg + 0.85 * cylinder.water_capacity_kg),
                ("wt_301_kg", self.values["wt_301_kg"] + draw.choice((-0.4, -0.1, 0.1, 0.4, 2.0))),
                ("at_001_lfl", limits.gas_alarm_lfl),
                ("tt_001_degc", 48.0),
            )
        )
        self.values[name] = value * about
        if name == "at_001_lfl" and draw.chance(0.8):
            self.values[name] = 0.0

    def _aim(self):
        """In a standing check: a rise to just above the level, a room that warms up, an instrument that fails."""
        draw, phase = self.draw, self.record.phase if self.record is not None else None
        entered, self.phase = phase is not self.phase, phase
        if phase is None or phase.name != "STANDING":
            return
        if entered and draw.chance(0.5):
            self.values["pt_001_pa_abs"] = self.values["pt_101_pa_abs"] = 0.97 * self.settings.job.level_pa_abs
            self.rises_pa_s, self.heats_k_s = draw.choice(((0.0, 0.5), (0.0, 2.0), (3000.0, 0.0)))
        if not self.calm and draw.chance(0.003):
            name = "pt_001_pa_abs" if has(self.settings, "pt_001_pa_abs") else "pt_101_pa_abs"
            self.spells[name] = ("fault", self.now_s + 0.2, draw.random())

    def falls_slowly(self):
        """An appliance with a little vapor that falls too slowly to tell how much is in it."""
        self.calm, self.liquid_kg, self.asks = True, 0.0, 0.0
        self.strange = self.leaks_kg_s = self.warms_k_s = self.presses_pa_s = self.heats_k_s = 0.0
        self.rises_pa_s, self.flow_kg_s, self.falls_s, self.obeys = 0.0, 5e-3, 500.0, 0.1
        level = self.settings.job.level_pa_abs
        self.values |= dict.fromkeys(("pt_001_pa_abs", "pt_101_pa_abs"), 1.05 * max(level, 5e4))

    # ---------------------------------------------------------------- what is read

    def _readings(self):
        draw, now_s = self.draw, self.now_s
        reading, absent = found("Reading"), found("ABSENT")
        fields = {}
        noise_pa = self.settings.instruments.pressure_uncertainty_pa * 0.02
        for name in ANALOGUE:
            if not has(self.settings, name):
                fields[name] = absent
                continue
            value = self.values[name]
            if name.endswith("pa_abs"):
                value += noise_pa * draw.uniform(-1.0, 1.0)
            elif name == "wt_301_kg":
                value = round(value + 0.004 * draw.uniform(-1.0, 1.0), 3)
            fields[name] = reading(value, now_s)
        for name in CONTACTS:
            fields[name] = reading(1.0, now_s) if has(self.settings, name) else absent
        if draw.chance(self.strange):
            names = [name for name in (*ANALOGUE, *CONTACTS) if has(self.settings, name)]
            kind = draw.choice(("fault", "nan", "inf", "old", "future", "still", "huge", "zero", "no time"))
            until_s = now_s + draw.choice((0.0, 0.15, 1.5, 10.0, 60.0))
            self.spells[draw.choice(names)] = (kind, until_s, draw.random())
        for name, (kind, until_s, part) in list(self.spells.items()):
            if now_s > until_s or until_s > now_s + 100.0:
                del self.spells[name]
            else:
                fields[name] = self._spelled(fields[name], kind, part)
        readback = None
        if self.settings.fitted.readback:
            readback = self.outputs.bits if self.outputs is not None else 0
            if not self.calm and draw.chance(0.004):
                self.spells_readback = now_s + draw.choice((0.2, 1.5)), 1 << draw.randrange(15)
            held = getattr(self, "spells_readback", None)
            if held is not None and now_s <= held[0] <= now_s + 2.0:
                readback = None if held[1] == 1 else readback ^ held[1]
        overruns = draw.randrange(3) if draw.chance(0.01) else 0
        return found("Readings")(
            now_s=now_s, utc_s=1.75e9 + now_s, readback=readback, overruns=overruns, requests=self._asked(), **fields
        )

    def _spelled(self, sound, kind, part):
        draw, now_s, reading = self.draw, self.now_s, found("Reading")
        age_s = self.settings.instruments.reading_max_age_s
        if kind == "fault":
            some = list(found("Fault"))
            return reading(sound.value, now_s, some[int(part * len(some))])
        if kind in ("nan", "inf"):
            return reading(nan if kind == "nan" else draw.choice((inf, -inf)), now_s)
        if kind in ("old", "future", "no time"):
            taken_s = {"old": now_s - age_s * (1.0 + part), "future": now_s + part, "no time": nan}[kind]
            return reading(sound.value, taken_s)
        if kind == "huge":
            return reading(draw.choice(HUGE), now_s)
        if kind == "zero":
            return reading(0.0, now_s)
        return reading(1e5 * part if sound.value > 1e3 else 20.0 * part, now_s)

    def _asked(self):
        draw, some = self.draw, []
        kinds, sources = found("RequestKind"), found("Source")
        record = self.record
        if draw.chance(self.asks):
            some += [
                self._request(draw.choice(list(kinds)), draw.choice(list(sources)), draw.chance(0.3))
                for _ in range(draw.choice((1, 1, 1, 2, 3)))
            ]
        if record is not None:
            phase = record.phase.value
            wanted = {"idle": kinds.START, "held": kinds.RESTART, "aborted": kinds.RESET}.get(phase)
            if wanted is not None and draw.chance(self.obeys):
                change_it = phase == "held" and record.ask.name == "CHANGE_CYLINDER"
                some.append(self._request(wanted, sources.LOCAL, change_it or draw.chance(0.05)))
                if draw.chance(0.7):
                    self._put_right(change_it)
            elif record.alarms and draw.chance(0.004):
                some.append(self._request(kinds.ACKNOWLEDGE, draw.choice(list(sources)), False))
        return tuple(some)

    def _request(self, kind, source, with_cylinder):
        self.requests += 1
        cylinder = None
        if with_cylinder:
            draw, own = self.draw, self.settings.cylinder
            cylinder = change(own, serial=f"PUPPET-{self.requests}", refrigerant="", residual_kg=0.0)
            odd = draw.choice(("", "", "", "", "tare", "other", "late", "weak", "log", "small"))
            if odd == "tare":
                cylinder = change(cylinder, tare_kg=draw.choice((0.0, nan, 1e5)))
            elif odd == "other":
                cylinder = change(cylinder, refrigerant=draw.choice(("R-22", "R-134a", "R-410A", "no such")))
            elif odd == "late":
                cylinder = change(cylinder, retest_due=draw.choice(("2019-01-31", "soon")))
            elif odd == "weak":
                cylinder = change(cylinder, service_pressure_pa_gauge=5e5)
            elif odd == "log":
                cylinder = change(
                    cylinder, refrigerant=self.settings.job.refrigerant, residual_kg=draw.choice((0.0, 2.0))
                )
            elif odd == "small":
                cylinder = change(cylinder, water_capacity_kg=draw.choice((0.0, 1.0, 3.0)))
        return found("Request")(kind, source, f"puppet-{self.requests}", cylinder)

    def _put_right(self, another):
        draw, limits, cylinder = self.draw, self.settings.limits, self.settings.cylinder
        self.spells.clear()
        v = self.values
        v["pt_201_pa_abs"] = min(v["pt_201_pa_abs"], 0.6 * limits.discharge_high_pa_abs)
        v["pt_301_pa_abs"] = min(v["pt_301_pa_abs"], 0.5 * cylinder.service_pressure_pa_gauge)
        v["tt_201_degc"] = min(v["tt_201_degc"], limits.discharge_high_degc - 40.0)
        v["tt_301_degc"] = min(v["tt_301_degc"], limits.cylinder_warm_degc - 5.0)
        v["at_001_lfl"] = 0.0
        v["pt_001_pa_abs"] = max(v["pt_001_pa_abs"], draw.choice((0.0, 0.0, 2.0 * self.settings.job.level_pa_abs)))
        if another:
            v["wt_301_kg"] = cylinder.tare_kg + draw.choice((0.0, 0.05, 0.3, 3.0))
            self.liquid_kg = max(self.liquid_kg, draw.choice((0.0, 0.5)))


def _round_trip(state):
    """The state as a journal gives it back."""
    return msgspec.msgpack.decode(msgspec.msgpack.encode(state), type=type(state))


def _opened(name):
    def run(tally):
        draw = Draw(name)
        kind, press = draw.choice(
            ((None, None), (None, None), (None, None), ("chiller", True), ("chiller", True), ("chiller", False))
        )
        bench, spares = bench_of(draw, kind, press)
        if bench is None:
            tally.mark("the plant takes none of what was drawn")
            return
        taken = _snapshots(draw, bench, spares, tally)
        core = Core(of(bench, "settings"))
        for state, readings, phase in taken:
            longer = 3 if phase.name == "PUSH_PULL" else 1
            puppet = Puppet(draw, core, state, readings)
            for _ in range(longer * draw.randrange(SCANS // 2, 3 * SCANS // 2)):
                puppet.scan(tally)
        puppet = Puppet(draw, core, core.initial(), None)
        slowly = draw.chance(0.3)
        if slowly:
            puppet.falls_slowly()
        for _ in range(3000 if slowly else SCANS):
            puppet.scan(tally)

    return run


def _snapshots(draw, bench, spares, tally):
    """States out of a run with the plant: some scans after each change of phase, and at random; the readings that led
    to each, and the phase."""
    taken, phase, due = [], None, set()
    presser = Presser(draw, bench, spares, 5e-4)
    operator = of(bench, "operator")
    if operator is None:
        of(bench, "press")(found("RequestKind").START)
    for n in range(4000):
        record = bench.scan()
        tally.scan(record, of(bench, "state") if record is not None else None)
        if record is None:
            continue
        presser.look(record)
        if record.phase is not phase:
            phase = record.phase
            due |= {n + draw.randrange(1, 30), n + draw.randrange(30, 300)}
        if n in due or draw.chance(0.002):
            taken.append((of(bench, "state"), record.readings, record.phase))
        if operator is not None and operator.done:
            break
    draw.shuffle(taken)
    # A few of each phase first: nearly all of a job is liquid and vapor.
    rank, counted = [], {}
    for one in taken:
        name = one[2].name
        counted[name] = counted.get(name, 0) + 1
        rank.append((counted[name], one))
    rank.sort(key=lambda item: item[0])
    return [one for _, one in rank[:SNAPSHOTS]]
