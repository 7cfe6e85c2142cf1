"""The commissioning sheet as one page to print and to sign."""

from __future__ import annotations

import datetime as dt
import importlib.resources

from rigctl.commissioning import figures, steps
from rigctl.commissioning import sheet as sheets
from rigctl.commissioning.sheet import Sheet
from rigctl.commissioning.walk import CAUTIONS
from rigctl.config import RigConfig


def render(sheet: Sheet | None, rig: RigConfig, today: dt.date) -> str:
    """The page: steps with their results and figures, calibrations, what is open, and the signature."""
    import jinja2

    template = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(
        importlib.resources.files(__package__).joinpath("sheet_page.html").read_text(encoding="utf-8")
    )
    made = sheet if sheet is not None else Sheet(rig.name)
    due = {step.name: day.isoformat() for step, day in sheets.calibrations_due(made, rig)}
    return template.render(
        sheet=made,
        rig=rig,
        steps=[(step, made.entries.get(step.name)) for step in steps.wanted(rig)],
        calibrations=[
            (step, entry.calibration, due.get(step.name, ""))
            for step in steps.wanted(rig)
            if (entry := made.entries.get(step.name)) is not None and entry.calibration is not None
        ],
        open_points=[sentence.partition(": ")[2] for sentence in sheets.why_not_valid(sheet, rig, today)],
        cautions=CAUTIONS,
        today=today.isoformat(),
        shown=lambda tag, value, like: figures.shown(tag, value, rig.units.value, like),
        differs=lambda tag, value: figures.differs(tag, value, rig.units.value),
    )
