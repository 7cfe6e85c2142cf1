"""Instruments between the plant's truth and the wire: lag, span, noise, errors, and the scale's life.

What comes out is what stands on the wire: the current of a 4-20 mA loop in mA, the weight a scale sends in
kg, a contact as 1.0 (closed) or 0.0 (open). NaN means that no answer came. Loops follow NAMUR NE 43: a
measurement lies between 3.8 and 20.5 mA, a transmitter saturates there, and its own failure shows below 3.6
or above 21 mA.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, exp, isfinite, nan, pi
from typing import Any

import numpy as np

SATURATED_LOW_MA = 3.8
SATURATED_HIGH_MA = 20.5
FAILURE_LOW_MA = 3.6
FAILURE_HIGH_MA = 21.0
"""NAMUR NE 43: at or beyond the saturated levels the loop gives no measurement, beyond the failure levels the
transmitter reports its own failure."""

_BLOCK = 2048
_ROCKING_HZ = 4.0
_ROCKING_S = 0.6
# How a knocked platform rings down: an estimate of ours, no source; only its order of magnitude matters.


@dataclass(frozen=True, slots=True)
class Instrument:
    """One analog instrument and how good it is; all figures in the unit of what it measures.

    `bias_std`, `gain_std` (of the reading) and `drift_std_per_h` are standard deviations over a population of
    such instruments: each simulated one draws its own from the seed and keeps it.
    """

    tag: str
    low: float
    high: float
    lag_s: float = 0.0
    """Time constant of a first-order lag; 0 for none."""
    noise: float = 0.0
    """Standard deviation of one sample."""
    resolution: float = 0.0
    """Step of the last digit; 0 for none."""
    bias_std: float = 0.0
    gain_std: float = 0.0
    drift_std_per_h: float = 0.0
    loop: bool = True
    """4-20 mA loop; otherwise it sends its number (a scale on a serial line)."""

    def __post_init__(self) -> None:
        numbers = (
            self.lag_s, self.noise, self.resolution, self.bias_std, self.gain_std, self.drift_std_per_h,
        )  # fmt: skip
        if not (isfinite(self.low) and isfinite(self.high) and self.low < self.high):
            raise ValueError(f"{self.tag}: the span {self.low} to {self.high} is empty; give low below high.")
        if not all(isfinite(number) and number >= 0.0 for number in numbers):
            raise ValueError(f"{self.tag}: lag, noise, resolution and errors must be 0 or more.")

    def value(self, raw: float) -> float:
        """What the raw wire value means, without any judgement of its quality."""
        return self.low + (raw - 4.0) / 16.0 * (self.high - self.low) if self.loop else raw

    def raw(self, value: float) -> float:
        """The wire value that means `value`, saturated as a transmitter would."""
        if not self.loop:
            return value
        current_ma = 4.0 + 16.0 * (value - self.low) / (self.high - self.low)
        return min(max(current_ma, SATURATED_LOW_MA), SATURATED_HIGH_MA)


_NOISE, _BIAS, _GAIN, _DRIFT = 1, 3, 4, 5


def _read(figures: Any, lagged: Any, truth: Any, drawn: Any, elapsed_s: float, raw: Any) -> None:
    """One scan of all analog instruments; writes `lagged` and `raw`.

    Columns of `figures`: share of the lag made up in one scan, noise, resolution, bias, gain error, drift per
    second, low end of the span, mA per unit, 1 for a loop.
    """
    for i in range(truth.shape[0]):
        lagged[i] += figures[i, 0] * (truth[i] - lagged[i])
        value = lagged[i] * (1.0 + figures[i, 4]) + figures[i, 3] + figures[i, 5] * elapsed_s
        value += figures[i, 1] * drawn[i]
        if figures[i, 2] > 0.0:
            value = figures[i, 2] * np.floor(value / figures[i, 2] + 0.5)
        if figures[i, 8] > 0.0:
            current_ma = 4.0 + figures[i, 7] * (value - figures[i, 6])
            value = min(max(current_ma, 3.8), 20.5)
        raw[i] = value


try:
    import numba
except ImportError:  # the same source then runs in plain Python
    pass
else:
    _read = numba.njit(cache=True)(_read)


class Scale:
    """What disturbs the weight on the platform besides the cylinder: knocks, hoses, buckets, thieves.

    All weights in kg. The plant knows the cylinder's true weight; this adds the rest.
    """

    def __init__(self) -> None:
        self.quiet = True
        self.removed = False
        """Nothing stands on the platform."""
        self._steady_kg = 0.0
        self._drips_kg_s = 0.0
        self._dripping_kg = 0.0
        self._drips_since_s = 0.0
        self._knock_kg = 0.0
        self._knocked_at_s = 0.0

    def knock(self, now_s: float, swing_kg: float, shift_kg: float = 0.0) -> None:
        """Kick the platform: it swings by `swing_kg`, rings down, and may come to rest `shift_kg` off."""
        self._knock_kg, self._knocked_at_s = swing_kg, now_s
        self.pull(shift_kg)

    def pull(self, pull_kg: float) -> None:
        """Let a hose pull down (positive) or carry (negative) from now on, in addition to what there is."""
        self._steady_kg += pull_kg
        self.quiet = False

    def put_on(self, now_s: float, weight_kg: float, drips_kg_s: float = 0.0) -> None:
        """Set a bucket on the platform; it may lose its water drop by drop until it is empty."""
        self._steady_kg += self._left_kg(now_s)
        self._dripping_kg, self._drips_kg_s, self._drips_since_s = weight_kg, drips_kg_s, now_s
        self.quiet = False

    def remove(self) -> None:
        """Take the cylinder off the platform."""
        self.removed, self.quiet = True, False

    def put_right(self) -> None:
        """Put the cylinder back and clear the platform of everything else."""
        self.quiet, self.removed = True, False
        self._steady_kg = self._dripping_kg = self._drips_kg_s = self._knock_kg = 0.0

    def _left_kg(self, now_s: float) -> float:
        return max(self._dripping_kg - self._drips_kg_s * (now_s - self._drips_since_s), 0.0)

    def load_kg(self, now_s: float, cylinder_kg: float) -> float:
        """What presses on the platform."""
        after_s = now_s - self._knocked_at_s
        swing_kg = 0.0
        if self._knock_kg and 0.0 <= after_s < 12.0 * _ROCKING_S:
            swing_kg = self._knock_kg * exp(-after_s / _ROCKING_S) * cos(2.0 * pi * _ROCKING_HZ * after_s)
        own_kg = 0.0 if self.removed else cylinder_kg
        return own_kg + self._steady_kg + self._left_kg(now_s) + swing_kg


class Sensors:
    """All analog instruments of one rig, read once a scan.

    Parameters
    ----------
    instruments
        In the order in which truth is given and raw values come back.
    seed
        Same seed, same errors and noise, on any machine with the same numpy.
    scan_period_s
        Time between two readings, s.

    Raises
    ------
    ValueError
        If two instruments have one tag, or the scan period isn't a positive number.
    """

    def __init__(self, instruments: Sequence[Instrument], seed: int, scan_period_s: float) -> None:
        if not (isfinite(scan_period_s) and scan_period_s > 0.0):
            raise ValueError(f"The scan period is {scan_period_s} s; give a positive number.")
        self.instruments = tuple(instruments)
        self.tags = tuple(instrument.tag for instrument in self.instruments)
        if len(set(self.tags)) != len(self.tags):
            raise ValueError(f"Two instruments have the same tag in {', '.join(self.tags)}; rename one.")
        self.scale = Scale()
        self._random = np.random.Generator(np.random.PCG64(seed))
        self._scan_period_s = scan_period_s
        self._weight = self.tags.index("WT-301") if "WT-301" in self.tags else -1
        count = len(self.instruments)
        own = self._random.standard_normal((count, 3))
        self._figures = np.zeros((count, 9))
        for row, instrument in enumerate(self.instruments):
            lag_s = instrument.lag_s
            self._figures[row] = (
                1.0 - exp(-scan_period_s / lag_s) if lag_s > 0.0 else 1.0,
                instrument.noise,
                instrument.resolution,
                instrument.bias_std * own[row, 0],
                instrument.gain_std * own[row, 1],
                instrument.drift_std_per_h * own[row, 2] / 3600.0,
                instrument.low,
                16.0 / (instrument.high - instrument.low),
                1.0 if instrument.loop else 0.0,
            )
        self._truth = np.zeros(count)
        self._lagged = np.zeros(count)
        self._raw = np.zeros(count)
        self._drawn = self._random.standard_normal((_BLOCK, count))
        self._next = 0
        self._began_s = nan

    def error_of(self, tag: str) -> tuple[float, float, float]:
        """Bias, gain error and drift per second that this rig's instrument drew."""
        row = self._figures[self.tags.index(tag)]
        return float(row[_BIAS]), float(row[_GAIN]), float(row[_DRIFT])

    def hush(self) -> None:
        """No noise from now on; lag, resolution, bias, gain error and drift stay."""
        self._figures[:, _NOISE] = 0.0

    def read(self, now_s: float, truth: Sequence[float]) -> list[float]:
        """What stands on the wire now.

        Parameters
        ----------
        now_s
            Simulated time, one scan period after the last call.
        truth
            True values in the order of the instruments.

        Returns
        -------
        list of float
            mA for loops, the instrument's own unit otherwise.
        """
        self._truth[:] = truth
        if not self.scale.quiet and self._weight >= 0:
            self._truth[self._weight] = self.scale.load_kg(now_s, truth[self._weight])
        if self._began_s != self._began_s:  # first scan: the instruments have stood in the plant for long
            self._began_s = now_s
            self._lagged[:] = self._truth
        if self._next == _BLOCK:
            self._drawn = self._random.standard_normal((_BLOCK, len(self.tags)))
            self._next = 0
        drawn, elapsed_s = self._drawn[self._next], now_s - self._began_s
        _read(self._figures, self._lagged, self._truth, drawn, elapsed_s, self._raw)
        self._next += 1
        raw: list[float] = self._raw.tolist()
        return raw


def standard_instruments(
    tags: Sequence[str],
    *,
    pressure_uncertainty_pa: float,
    temperature_uncertainty_k: float,
    scale_uncertainty_kg: float,
    scale_noise_kg: float,
    scale_resolution_kg: float,
    scale_capacity_kg: float = 150.0,
) -> tuple[Instrument, ...]:
    """Industrial instruments for these tags, as good as the rig's data sheet says and no better.

    Spans and lags are common for such instruments (common practice, no source): pressure 0 to 60 bar absolute
    and 50 ms, pockets for temperature 3 s, a scale's digital filter 0.5 s, a diffusion gas detector 8 s.

    Raises
    ------
    ValueError
        If there is no such instrument.
    """
    made = []
    for tag in tags:
        if tag.startswith("PT-"):
            high_pa = 6.0e6 if tag in {"PT-201", "PT-301"} else 4.0e6
            # Zero is set against the barometer when a rig is commissioned, so most of the error grows with the
            # reading: the data sheet's figure is met at 20 bar. Noise is mostly the compressor's pulsation.
            made.append(
                Instrument(
                    tag, 0.0, high_pa, lag_s=0.05, noise=0.1 * pressure_uncertainty_pa,
                    resolution=high_pa / 32000.0, bias_std=0.15 * pressure_uncertainty_pa,
                    gain_std=0.8 * pressure_uncertainty_pa / 2.0e6,
                    drift_std_per_h=0.02 * pressure_uncertainty_pa,
                )
            )  # fmt: skip
        elif tag.startswith("TT-"):
            made.append(
                Instrument(
                    tag, -60.0, 180.0, lag_s=3.0, noise=0.1, resolution=0.02,
                    bias_std=0.5 * temperature_uncertainty_k,
                )
            )  # fmt: skip
        elif tag == "WT-301":
            # A net weight is a difference: bias falls out, gain over the span used and drift remain.
            made.append(
                Instrument(
                    tag, -5.0, scale_capacity_kg, lag_s=0.5, noise=scale_noise_kg,
                    resolution=scale_resolution_kg, bias_std=0.02, gain_std=2.0e-4,
                    drift_std_per_h=0.3 * scale_uncertainty_kg, loop=False,
                )
            )  # fmt: skip
        elif tag == "AT-001":
            # Five sigma of noise and three of bias stay inside the measuring range of NAMUR NE 43 in clean air.
            made.append(Instrument(tag, 0.0, 1.0, lag_s=8.0, noise=0.001, bias_std=0.002))
        else:
            raise ValueError(f"{tag}: no analog instrument of this tag; use a PT, TT, AT-001 or WT-301.")
    return tuple(made)
