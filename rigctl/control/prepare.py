"""Work out once what a job needs in every scan: tables loaded, rows that apply, outputs fitted."""

from __future__ import annotations

from rigctl.control.figures.figures import Figures
from rigctl.control.prepared import Prepared
from rigctl.control.protect.gate import fitted_outputs
from rigctl.control.protect.table import TABLE
from rigctl.control.sense.outgassing import blocks_of_a_check, rises
from rigctl.control.settings import Settings, appliance_ceiling_pa_abs
from rigctl.refrigerant import catalogue

FIGURES = Figures()
"""As they are in every job that nobody studies."""


def prepare(settings: Settings, figures: Figures = FIGURES) -> Prepared:
    """Return what all scans of a job share.

    Raises
    ------
    UnknownRefrigerantError
        When there is no table of the job's refrigerant.
    """
    instruments, outgassing = settings.instruments, figures.sense.outgassing
    return Prepared(
        settings=settings,
        figures=figures,
        refrigerant=catalogue.get(settings.job.refrigerant),
        refrigerants={name: catalogue.get(name) for name in catalogue.names()},
        outputs_fitted=fitted_outputs(settings),
        appliance_ceiling_pa_abs=appliance_ceiling_pa_abs(settings),
        scale_noise_kg2=instruments.scale_noise_kg**2 + instruments.scale_resolution_kg**2 / 12.0,
        rises=rises(outgassing, blocks_of_a_check(outgassing, settings.procedure)),
        rows=tuple((1 << i, row.present) for i, row in enumerate(TABLE) if row.fitted(settings)),
        delays_s=tuple(row.delay_s(settings, figures.protect) for row in TABLE),
    )
