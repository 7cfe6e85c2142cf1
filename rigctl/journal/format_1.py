"""Reads what a record needs from a journal of format 1, which kept no facts of its own.

Format 1 was written up to version 0.1.0, before journals knew which core wrote them. Settings stand in it as JSON by
name; readings, estimate and the rest of a scan as lists of values in the order that is written down here. That order
is frozen: nothing here follows the core of today.
"""

from __future__ import annotations

from math import nan
from typing import Any, Final

import msgspec

from rigctl.journal.facts import (
    AlarmFacts,
    CheckFacts,
    CylinderFacts,
    Facts,
    JobFacts,
    ReplyFacts,
    RequestFacts,
    Told,
)

_READING: Final = [["value", None], ["taken_at_s", None], ["fault", None]]
_CYLINDER: Final = dict.fromkeys(
    (
        "serial", "water_capacity_kg", "tare_kg", "service_pressure_pa_gauge", "refrigerant", "retest_due",
        "residual_kg",
    )
)  # fmt: skip
_REQUEST: Final = {"kind": None, "source": None, "request_id": None, "cylinder": _CYLINDER}
_REMEDY: Final = [[name, None] for name in ("what", "saves_s", "low_s", "high_s", "sentence")]
_READINGS: Final = (
    "pt_101_pa_abs", "pt_201_pa_abs", "wt_301_kg", "pt_102_pa_abs", "pt_301_pa_abs", "pt_001_pa_abs", "tt_101_degc",
    "tt_201_degc", "tt_301_degc", "tt_001_degc", "at_001_lfl", "fs_001_flow", "lsh_301_ok", "psh_201_ok", "hs_001_ok",
    "m_101_ok",
)  # fmt: skip
_ESTIMATE: Final = (
    "net_kg", "net_uncertainty_kg", "flow_kg_s", "flow_uncertainty_kg_s", "recovered_kg", "recovered_uncertainty_kg",
    "contents_kg", "second_kg", "second_uncertainty_kg", "fill_limit_kg", "fill_fraction", "inlet_phase",
    "compression_ratio", "saturation_degc", "superheat_k", "left_kg", "left_low_kg", "left_high_kg", "finish_s",
    "finish_low_s", "finish_high_s", "limited_by",
)  # fmt: skip

_REQUESTS_AT: Final = 2 + len(_READINGS) + 2
"""Place of the requests in the readings."""

LAYOUTS: Final = {
    "readings": [
        ["now_s", None],
        ["utc_s", None],
        *([name, _READING] for name in _READINGS),
        ["readback", None],
        ["overruns", None],
        ["requests", _REQUEST],
    ],
    "outputs": [["bits", None], ["cv_103", None]],
    "estimate": [*([name, None] for name in _ESTIMATE), ["remedies", _REMEDY]],
}
"""How the scans of format 1 are laid out (`rigctl.journal.layout`). Its states are not here: what they held changed
while the format stayed, so no job is gone on with from one."""


class _Fitted(msgspec.Struct, frozen=True):
    cooler_valves: bool = True


class _Settings(msgspec.Struct, frozen=True):
    job: JobFacts
    rig: str = ""
    commissioned: str = ""
    simulated: bool = False
    fitted: _Fitted = _Fitted()


class _Net(msgspec.Struct, frozen=True, array_like=True):
    net_kg: float
    net_uncertainty_kg: float


class _Rest(msgspec.Struct, frozen=True, array_like=True):
    in_phase_s: float
    nets: tuple[_Net, ...]


class _Fill(msgspec.Struct, frozen=True):
    cylinder: CylinderFacts
    tare_reading_kg: float


class Detail(msgspec.Struct, frozen=True, array_like=True):
    """What seldom changed in format 1, stored only when it did."""

    ask: str
    sentence: str
    alarms: tuple[AlarmFacts, ...]
    cylinders: tuple[_Fill, ...]
    standing_checks: tuple[CheckFacts, ...]


class _Happened(msgspec.Struct, frozen=True, array_like=True):
    events: Any
    replies: tuple[ReplyFacts, ...]


COLUMNS: Final = "readings, estimate, rest, happened"
"""Of the table `scans`, besides those that both formats have."""
_decode: Final = msgspec.msgpack.decode


def job_facts(settings_json: str) -> JobFacts:
    """Return what a record says of the job; raises `msgspec.MsgspecError` for what is no settings."""
    read = msgspec.json.decode(settings_json, type=_Settings)
    return msgspec.structs.replace(
        read.job,
        rig=read.rig,
        commissioned=read.commissioned,
        simulated=read.simulated,
        clears_out=read.fitted.cooler_valves,
    )


def detail_of(blob: bytes) -> Detail:
    """Return what seldom changed; raises `msgspec.MsgspecError` for anything else."""
    return _decode(blob, type=Detail)


def facts(
    now_s: float, utc_s: float, phase: str, way_out_open: bool, recovered_kg: float, detail: Detail,
    blobs: tuple[bytes, bytes, bytes, bytes | None],
) -> Facts:  # fmt: skip
    """Return what a record needs of one scan; `blobs` are its `COLUMNS`.

    Raises
    ------
    msgspec.MsgspecError, LookupError
        For what is no scan of this format.
    """
    readings, estimate, rest, happened = blobs
    values: list[Any] = _decode(readings)
    figures: dict[str, Any] = dict(zip(_ESTIMATE, _decode(estimate), strict=False))
    nets = _decode(rest, type=_Rest).nets
    cylinders = tuple(
        msgspec.structs.replace(
            fill.cylinder,
            tare_reading_kg=fill.tare_reading_kg,
            net_kg=net.net_kg,
            net_uncertainty_kg=net.net_uncertainty_kg,
        )
        for fill, net in zip(detail.cylinders, nets, strict=True)
    )
    return Facts(
        now_s=now_s,
        utc_s=utc_s,
        phase=phase,
        way_out_open=way_out_open,
        recovered_kg=recovered_kg,
        recovered_uncertainty_kg=float(figures["recovered_uncertainty_kg"]),
        net_kg=float(figures["net_kg"]),
        net_uncertainty_kg=float(figures["net_uncertainty_kg"]),
        contents_kg=float(figures["contents_kg"]),
        second_kg=float(figures["second_kg"]),
        second_uncertainty_kg=float(figures["second_uncertainty_kg"]),
        cylinder_net_kg=cylinders[-1].net_kg if cylinders else nan,
        cylinder_net_uncertainty_kg=cylinders[-1].net_uncertainty_kg if cylinders else nan,
        told=Told(
            sentence=detail.sentence,
            fill_limit_kg=float(figures["fill_limit_kg"]),
            alarms=detail.alarms,
            cylinders=cylinders,
            standing_checks=detail.standing_checks,
            requests=msgspec.convert(values[_REQUESTS_AT], tuple[RequestFacts, ...]),
            replies=() if happened is None else _decode(happened, type=_Happened).replies,
        ),
    )
