"""How a run goes and ends: phases, extremes, cylinders, and the plant's truth beside what the rig says."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan

from hil_sim.bench.clock import Clock
from hil_sim.plant import layout as at
from hil_sim.plant.model import Plant
from rigctl.control.vocabulary import Phase
from rigctl.scan import ScanRecord


@dataclass(frozen=True, slots=True)
class PhaseSpan:
    """One stay in a phase."""

    phase: Phase
    from_s: float
    to_s: float
    sentence: str
    """What the rig said at its end."""


@dataclass(frozen=True, slots=True)
class Result:
    """How a run ended, with the plant's truth beside what the rig says."""

    outcome: Phase
    sentence: str
    gave_up: bool
    duration_s: float
    """From the start of the job to the end of the run."""
    recovered_kg: float
    recovered_uncertainty_kg: float
    true_recovered_kg: float
    """By the plant's own books: what all cylinders gained."""
    left_kg: float
    """Truth: refrigerant left in the appliance, its oil included."""
    rig_kg: float
    """Truth: refrigerant left in hoses and rig."""
    vented_kg: float
    least_appliance_degc: float
    least_water_degc: float
    most_discharge_pa_abs: float
    most_cylinder_pa_abs: float
    most_cylinder_fill: float
    """Greatest share of a cylinder's volume that liquid took."""
    energy_j: float
    ice_used_kg: float
    """Ice that coil and cylinder melted in their baths, or would have melted had there been so much."""
    trips: int
    holds: int
    compressor_damaged: bool
    mass_error: float
    """Relative error of the plant's own books."""
    phases: tuple[PhaseSpan, ...]


class Extremes:
    """The greatest and least that the plant's truth has been, scan by scan."""

    def __init__(self) -> None:
        self.least_appliance_degc = self.least_water_degc = inf
        self.most_discharge_pa_abs = self.most_cylinder_pa_abs = self.most_cylinder_fill = 0.0

    def see(
        self,
        *,
        appliance_degc: float,
        water_degc: float,
        discharge_pa_abs: float,
        cylinder_pa_abs: float,
        cylinder_fill: float,
    ) -> None:
        """Take the truth of one scan into account; what is NaN does not count."""
        if appliance_degc < self.least_appliance_degc:
            self.least_appliance_degc = appliance_degc
        if water_degc < self.least_water_degc:
            self.least_water_degc = water_degc
        if discharge_pa_abs > self.most_discharge_pa_abs:
            self.most_discharge_pa_abs = discharge_pa_abs
        if cylinder_pa_abs > self.most_cylinder_pa_abs:
            self.most_cylinder_pa_abs = cylinder_pa_abs
        if cylinder_fill > self.most_cylinder_fill:
            self.most_cylinder_fill = cylinder_fill


class Tally:
    """What is kept of a run for its result.

    Parameters
    ----------
    plant
        Whose truth is told in the end.
    clock
        Of the bench.
    """

    def __init__(self, plant: Plant, clock: Clock) -> None:
        self._plant, self._clock = plant, clock
        self.extremes = Extremes()
        self._phase = Phase.IDLE
        self._phase_from_s = 0.0
        self._sentence = ""
        self._started_s = nan
        self._spans: list[PhaseSpan] = []
        self._trips = self._holds = 0
        self._gained_before_kg = 0.0
        self._put_on_kg = float(plant.truth()[at.Z_KG_Y])

    def follow(self, record: ScanRecord, now_s: float) -> None:
        """Take the record of one scan into account."""
        phase = record.phase
        if phase is not self._phase:
            self._spans.append(PhaseSpan(self._phase, self._phase_from_s, now_s, self._sentence))
            if phase is Phase.ABORTING:
                self._trips += 1
            elif phase is Phase.HELD:
                self._holds += 1
            if self._phase is Phase.IDLE and self._started_s != self._started_s:
                self._started_s = now_s
            self._phase, self._phase_from_s = phase, now_s
        self._sentence = record.sentence

    def cylinder_changed(self, removed_kg: float) -> None:
        """Note that another cylinder stands there, and what refrigerant left with the old one."""
        self._gained_before_kg += removed_kg - self._put_on_kg
        self._put_on_kg = float(self._plant.truth()[at.Z_KG_Y])

    @property
    def gained_kg(self) -> float:
        """Truth: what all cylinders have gained."""
        return self._gained_before_kg + float(self._plant.truth()[at.Z_KG_Y]) - self._put_on_kg

    def result(self, last: ScanRecord | None, *, gave_up: bool) -> Result:
        """How it stands now.

        Parameters
        ----------
        last
            The record of the last scan.
        gave_up
            Whether the technician has.
        """
        z = self._plant.named_truth()
        now_s, extremes = self._clock.now_s, self.extremes
        estimate = last.estimate if last is not None else None
        ended_s = self._phase_from_s if self._phase in {Phase.COMPLETE, Phase.STOPPED} else now_s
        return Result(
            outcome=self._phase,
            sentence=self._sentence,
            gave_up=gave_up,
            duration_s=ended_s - self._started_s,
            recovered_kg=estimate.recovered_kg if estimate else 0.0,
            recovered_uncertainty_kg=estimate.recovered_uncertainty_kg if estimate else nan,
            true_recovered_kg=self.gained_kg,
            left_kg=z.a_kg + z.oil_kg,
            rig_kg=z.m_kg + z.s_kg + z.p_kg + z.d_kg + z.x_kg + z.h_kg,
            vented_kg=z.vented_kg,
            least_appliance_degc=extremes.least_appliance_degc,
            least_water_degc=extremes.least_water_degc,
            most_discharge_pa_abs=extremes.most_discharge_pa_abs,
            most_cylinder_pa_abs=extremes.most_cylinder_pa_abs,
            most_cylinder_fill=extremes.most_cylinder_fill,
            energy_j=z.electric_energy_j,
            ice_used_kg=z.ice_used_kg,
            trips=self._trips,
            holds=self._holds,
            compressor_damaged=bool(z.damaged),
            mass_error=self._plant.books().mass,
            phases=(*self._spans, PhaseSpan(self._phase, self._phase_from_s, now_s, self._sentence)),
        )
