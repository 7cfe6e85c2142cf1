"""End and return of the liquid on made-up signals whose end is known; noise as `hil_sim.instruments.sensors` has it."""

from __future__ import annotations

import random
from collections.abc import Callable
from math import exp, inf, nan
from typing import Any

import pytest

from rigctl.control.prepare import prepare
from rigctl.control.sense.liquid_end import Watch, draw, idle, pull
from rigctl.control.sense.signals import Signals
from rigctl.control.settings import Settings
from rigctl.refrigerant import catalogue
from tests.strategies import SHOP, change

DT_S = 0.1
BLIND = change(SHOP, fitted__pt_102=False)
BASIC = change(BLIND, fitted__cv_103=False, fitted__tt_201=False)
STEADY_S = 60.0
P_101, P_201 = 8e5, 1e6
DEW_201 = catalogue.get(SHOP.job.refrigerant).dew_temperature_degc(P_201)


class Drawing:
    """Liquid is drawn; what each instrument shows is a function of the time since something happens."""

    def __init__(self, settings: Settings, seed: int = 1) -> None:
        self.settings, self.random = settings, random.Random(seed)
        self.prepared = prepare(settings)
        self.watch, self.now_s = Watch(), 100.0

    def _noisy(self, value: float, noise: float) -> float:
        return value + self.random.gauss(0.0, noise)

    def run(self, seconds: float, *, shaken: Callable[[float], bool] = lambda t: False, **shows: Any) -> float:
        """Draw for so long; the time at which the liquid counts as gone, infinite if it does not."""
        fitted = self.settings.fitted
        for n in range(round(seconds / DT_S)):
            t = n * DT_S
            self.now_s += DT_S
            seen = {name: show(t) if callable(show) else show for name, show in shows.items()}
            s = Signals()
            s.now_s, s.scale_ok, s.disturbed_s, s.t_101 = self.now_s, True, 0.0, nan
            s.p_101 = self._noisy(seen.get("p_101", P_101), 2e3)
            s.p_102 = self._noisy(seen.get("ratio", 0.3) * s.p_101, 2e3) if fitted.pt_102 else nan
            s.p_201 = self._noisy(seen.get("p_201", P_201), 2e3)
            s.t_201 = self._noisy(seen.get("t_201", DEW_201 - 1.0), 0.1) if fitted.tt_201 else nan
            s.pumped_flow_kg_s = seen.get("pumped", 0.015)
            flow = self._noisy(seen.get("flow", 0.015), 2e-4)
            self.watch = draw(self.watch, s, self.prepared, DT_S, flow, shaken=shaken(t))
            if self.watch.gone:
                return t
        return inf


def ramp(low: float, high: float, over_s: float) -> Callable[[float], float]:
    return lambda t: low + (high - low) * min(1.0, max(0.0, t / over_s))


def steady(settings: Settings, seed: int = 1) -> Drawing:
    drawing = Drawing(settings, seed)
    assert drawing.run(STEADY_S) == inf
    return drawing


@pytest.mark.parametrize("settings", [SHOP, BLIND, BASIC], ids=["PT-102", "TT-201", "weight"])
@pytest.mark.parametrize("seed", range(3))
def test_steady_liquid_is_drawn_on_for_ten_minutes(settings: Settings, seed: int) -> None:
    assert Drawing(settings, seed).run(600.0) == inf


@pytest.mark.parametrize("over_s", [5.0, 8.0, 12.0])
@pytest.mark.parametrize("seed", range(3))
def test_the_ratio_over_the_throttle_tells_before_it_has_doubled(over_s: float, seed: int) -> None:
    # PT-102 rises from 0.3 to 0.6 of PT-101 as vapor takes the header over; half way up, vapor is nearly all by volume.
    gone_s = steady(SHOP, seed).run(60.0, ratio=ramp(0.3, 0.6, over_s))
    assert 0.15 * over_s < gone_s < over_s + 0.5


@pytest.mark.parametrize("over_s", [0.2, 1.0, 3.0])
def test_an_end_as_sudden_as_a_throttle_is_seen_all_the_same(over_s: float) -> None:
    assert steady(SHOP).run(60.0, ratio=ramp(0.3, 0.6, over_s)) < 10.0


@pytest.mark.parametrize("to", [0.2, 0.24, 0.4])
def test_a_throttle_that_moves_is_no_end(to: float) -> None:
    drawing = steady(SHOP)
    assert drawing.run(60.0, ratio=to) == inf
    assert drawing.run(60.0, ratio=0.3) == inf, "nor when it moves back"
    assert drawing.run(20.0, ratio=ramp(0.3, 0.6, 5.0)) < 6.0


def test_a_core_that_sticks_is_no_end_though_the_starved_header_looks_dry() -> None:
    # Shut but for a few per cent, the simulated header falls by two thirds in 2 s while the ratio rises by a third.
    drawing = steady(SHOP)
    assert drawing.run(20.0, p_101=lambda t: max(1e5, 8e5 * exp(-t / 1.8)), ratio=ramp(0.3, 0.55, 4.0)) == inf
    assert drawing.run(60.0, p_101=ramp(1e5, 8e5, 2.0), ratio=ramp(0.55, 0.3, 2.0)) == inf
    assert drawing.run(20.0, ratio=ramp(0.3, 0.6, 5.0)) < 6.0


@pytest.mark.parametrize("seed", range(3))
def test_without_pt_102_a_discharge_that_turns_hot_tells(seed: int) -> None:
    # A pocket's lag of 3 s, 30 K: the hot gas has been there for some seconds.
    assert steady(BLIND, seed).run(60.0, t_201=ramp(DEW_201 - 1.0, DEW_201 + 29.0, 15.0)) < 5.0


def test_a_discharge_pressure_that_collapses_makes_no_superheat() -> None:
    # The probe lags behind; dew falls by 30 K at once.
    assert steady(BLIND).run(15.0, p_201=ramp(P_201, 4e5, 2.0)) == inf


def test_the_scale_alone_tells_by_a_gain_that_rises_and_then_falls() -> None:
    def gain(t: float) -> float:
        return 0.022 if t < 6.0 else 0.005

    assert 5.9 < steady(BASIC).run(60.0, flow=gain) < 9.0


def test_the_scale_alone_waits_when_the_gain_only_falls_with_the_header() -> None:
    # A sticking core: what the pump should move falls as well, so the gain is no less than it should be.
    drawing = steady(BASIC)
    assert drawing.run(20.0, flow=0.006, pumped=0.005, p_101=5e5) == inf
    assert drawing.run(60.0) == inf


def test_a_knock_is_no_push() -> None:
    def gain(t: float) -> float:
        return 0.03 if t < 2.0 else (0.008 if t < 6.0 else 0.015)

    assert steady(BASIC).run(60.0, flow=gain, shaken=lambda t: t < 1.0) == inf


def test_a_wild_probe_does_not_silence_the_others() -> None:
    # Far above the table dew is not known.
    drawing = steady(SHOP)
    assert drawing.run(5.0, p_201=1.9e7) == inf
    assert drawing.run(20.0, ratio=ramp(0.3, 0.6, 5.0)) < 6.0


# --- liquid that comes again


def pulled(settings: Settings, watch: Watch, seconds: float, opening: float, **shows: float) -> float:
    """Draw vapor while the cylinder gains three times what the pump moves; the time until that counts as liquid."""
    prepared = prepare(settings)
    for n in range(round(seconds / DT_S)):
        s = Signals()
        s.now_s, s.scale_ok, s.disturbed_s = 1000.0 + n * DT_S, True, 0.0
        s.p_101, s.p_102, s.p_201, s.t_101, s.t_201 = P_101, nan, P_201, nan, nan
        if settings.fitted.pt_102:
            s.p_102 = shows.get("ratio", 0.3) * P_101
        if settings.fitted.tt_201:
            s.t_201 = shows.get("t_201", DEW_201)
        s.pumped_flow_kg_s = 0.005
        watch = pull(watch, s, prepared, DT_S, 0.015, opening)
        if watch.back_since_s == watch.back_since_s:
            return n * DT_S
    return inf


def known(settings: Settings) -> Watch:
    return idle(steady(settings).watch, keep=False)


def test_more_weight_than_vapor_explains_is_liquid_only_where_suction_or_discharge_is_wet() -> None:
    low = SHOP.procedure.liquid_position
    assert pulled(SHOP, known(SHOP), 5.0, low) == 0.0
    assert pulled(SHOP, known(SHOP), 60.0, low, ratio=0.6) == inf, "dry by PT-102"
    assert pulled(SHOP, known(SHOP), 60.0, 1.0, ratio=0.95, t_201=DEW_201 + 20.0) == inf, "dry by TT-201"
    assert pulled(BLIND, known(BLIND), 60.0, 1.0, t_201=DEW_201 + 20.0) == inf
    assert pulled(BLIND, known(BLIND), 5.0, 1.0) == 0.0


def test_without_a_witness_the_rigs_own_liquid_must_be_used_up_first() -> None:
    # 10 g/s more than the pump moves; 0.5 kg may stand in condenser and hose.
    assert pulled(BASIC, known(BASIC), 120.0, 1.0) == pytest.approx(BASIC.limits.fill_reserve_kg / 0.01, abs=0.5)
