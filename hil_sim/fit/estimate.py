"""Estimate parameters of the plant from recorded runs, and say how well they are known.

What is minimised: differences between readings and prediction, divided by the instrument's noise, plus what is known
beforehand. Beside the wanted parameters each instrument of each run has a bias, an error of gain, a drift and a delay
of its own, as large as its data sheet and the period of the recording allow: thousands of readings average noise away,
and never that.

Three things make the standard errors honest, and none of them is a factor out of the air:

- The model amplifies small things at times (a slug of liquid in a hose goes now or a little later; so it does in
  truth). How much is measured: several runs with parameters 0.001 % apart and steps of other lengths. That spread
  counts as noise of the model, alike for all instruments of a run; readings where it exceeds the instrument's noise
  are left out, and a response to a parameter that does not rise above it counts as none.
- Differences left over that follow one another (they do when the model is not the truth) carry less than so many
  readings. Their long-run variance takes the place of the noise's in the covariance (Newey and West, "A simple,
  positive semi-definite, heteroskedasticity and autocorrelation consistent covariance matrix", Econometrica 55, 1987;
  cut off by the initial positive sequence of Geyer, "Practical Markov chain Monte Carlo", Statistical Science 7, 1992).
- Along a direction of which little is told (three restrictions of one way: one may be narrow or another) the best
  values of all others do not run straight. They are followed to both sides as far as the sum of squares rises by one
  (profile likelihood), and what they do on the way is in their standard errors (law of total covariance).
- A parameter that stands at the end of its range has no standard error.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import exp, inf, isfinite, log, nan
from typing import Any, Final, NamedTuple

import numpy as np

from hil_sim.fit.recording import TRUTH_OF, Run
from hil_sim.instruments.sensors import Instrument
from hil_sim.plant.batch import follow, in_parallel, input_rows
from hil_sim.plant.model import Hand, Plant, PlantError, PlantParameters
from hil_sim.plant.parameters import describe
from hil_sim.plant.phase import Array, compiled

WIDTHS: Final = {
    "appliance.core_kv_m3_h": 0.6,
    "appliance.port_kv_m3_h": 0.4,
    "rig.manifold_kv_m3_h": 0.5,
    "rig.inlet_valve_kv_m3_h": 0.4,
    "rig.clearance": 0.4,
    "rig.leak_factor": 0.08,
    "rig.condenser_ua_fan_on_w_k": 0.4,
    "cylinder.inner_ua_w_k": 0.5,
    "appliance.refrigerant_ua_wet_w_k": 0.5,
    "appliance.volume_m3": 0.3,
    "appliance.oil_kg": 0.4,
    "appliance.desorption_time_cold_s": 0.7,
    "appliance.charge_kg": 0.3,
}
"""Standard deviation of the natural logarithm of each before anything is measured; estimates of ours, no source.
0.5 means: in two of three cases between 0.6 and 1.65 times the figure in the files."""
OTHER_WIDTH: Final = 0.5
ALONG: Final = {
    "appliance.desorption_time_cold_s": (
        "appliance.desorption_time_warm_s",
        "appliance.desorption_time_foaming_s",
    )
}
"""Parameters that are scaled along with another."""
_CORE, _PORT = "appliance.core_kv_m3_h", "appliance.port_kv_m3_h"
IN_SERIES: Final = (_CORE, _PORT, "rig.manifold_kv_m3_h", "rig.inlet_valve_kv_m3_h")
"""Restrictions one behind the other: runs show what they make together, 1/Kv**2 summed. Whichever the fit happens to
take for the narrow one looks well known then, for the others hardly matter beside it."""
NARROWER: Final = {
    "rig.clearance": (0.005, 0.15),
    "rig.leak_factor": (0.5, 1.0),
}
"""Ranges narrower than the plant's: what a rig's file takes as well."""

_ERRORS: Final = 4
_JITTER: Final = 1e-5
_JITTERED_RUNS: Final = 8
_STEP_S: Final = 0.05
_JITTERED_STEPS_S: Final = (0.0424, 0.0566)
"""Longest steps of the jittered runs, about that of all others: what the stepper gets wrong is in their spread, too.
Its error goes by the square of the step, and the mean of the squares is that of all others."""
_SMOOTH: Final = 5
"""Readings to both sides that the spread of the model is taken over at its largest."""
_CLEAR: Final = 3.0
"""Times the model's spread that a response must have to count."""
_LEAST_STEP, _LARGEST_STEP, _STEP_SHARE = 0.004, 0.1, 0.2
"""Step of the logarithm for the difference quotients: first a share of the prior width, within these ends."""
_MOVED: Final = 25.0
"""Then such a step that all readings together move by so many standard deviations: for every parameter alike, so that
parameters that act alike (three restrictions of one way) give like quotients, however curved the response is."""
_BAD: Final = 1.5
"""Root mean square of normalised differences above which other starts are tried."""
_STARTS: Final = 3
_POLISH: Final = 4
_AGREE, _AGREE_SD = 0.25, 0.2
_TOLD: Final = 3.0
"""Times the information that errors of the quotients feign, which a direction must carry to count."""
_UNTOLD: Final = 0.05
"""Prior standard deviations that a step may take at most in directions of which nothing is told."""
_STILL: Final = 0.2
"""The last steps end when they move by less than this share of a standard error."""
_UNSURE_SHARE, _UNSURE, _ALIKE, _LOOSE_SHARE = 0.7, 0.5, 0.9, 0.25
_FAILED: Final = 1e3
_VALLEY: Final = 0.2
"""Prior standard deviations by which a direction must be uncertain for the best values of all else to be followed."""
_VALLEY_STEPS, _VALLEY_REACHES = 6, 4
"""Steps back to the bottom from a place beside it, and how often it is gone on from there."""
_LOWER: Final = 2.0
"""Sum of squares by which a place must be better to go on from there, and how often that is done."""
_LOWER_PLACES: Final = 2
_VALLEY_LONGEST: Final = 2.0
"""Prior standard deviations beyond which a valley is not followed."""
_WRONG: Final = 3.0
"""Root mean square of normalised differences above which nothing counts as known."""


class FitError(ValueError):
    """The fit cannot be made as asked; one sentence that says what to do."""


@dataclass(frozen=True, slots=True)
class Free:
    """One parameter that is estimated, by its logarithm."""

    name: str
    """`group.field` with its unit."""
    start: float
    low: float
    high: float
    width: float
    """Standard deviation of its logarithm beforehand; infinite without a prior."""
    along: tuple[str, ...] = ()
    """Others that keep their ratio to it."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """What is known of one parameter after the fit."""

    name: str
    start: float
    value: float
    relative_sd: float
    """Standard error of the logarithm: 0.1 is some 10 %; NaN at the end of the range."""
    prior_sd: float
    alike: tuple[str, ...]
    """Others that can hardly be told apart from it; empty if none."""
    correlation: float
    """With the best sum of all others: multiple correlation, 0 to 1."""
    verdict: str
    """"" if it is known from these runs; otherwise why it is not, as a sentence."""

    @property
    def identified(self) -> bool:
        """Whether the runs say what it is."""
        return not self.verdict

    @property
    def interval(self) -> tuple[float, float]:
        """Two standard errors to both sides."""
        return self.value * exp(-2.0 * self.relative_sd), self.value * exp(2.0 * self.relative_sd)


@dataclass(frozen=True, slots=True)
class Way:
    """What the restrictions of one way in make together: core or port, inlet valve and manifold in a row, no hose."""

    port: str
    """Through which service port: "liquid" or "vapor", "liquid and vapor" where both are alike."""
    names: tuple[str, ...]
    kv_m3_h: float
    """1/Kv**2 of the whole is the sum of 1/Kv**2 of its parts (IEC 60534: equal flow, added pressure drops)."""
    relative_sd: float
    """Standard error of the logarithm; NaN where one of the parts stands at the end of its range."""


@dataclass(frozen=True)
class Signal:
    """One instrument in one run: measured against fitted."""

    run: str
    tag: str
    times_s: Array
    """On the recording's own clock."""
    measured: Array
    fitted: Array
    """Prediction with the instrument's estimated errors."""
    normalised: Array
    """Differences over their standard deviation; NaN where a reading was not used."""
    count: int
    """Readings used."""
    left_out: int
    """Readings at which the model's own spread exceeds the instrument's noise."""
    chi_square: float
    """Per reading; 1 if instrument and model are as good as they should be."""
    inflation: float
    """Long-run variance of the normalised differences; 1 for white noise as large as it should be."""
    bias: float
    """Estimated error of the instrument at its mean reading, in SI."""
    worst: float
    """Largest normalised difference, and when it was."""
    worst_at_s: float


@dataclass(frozen=True)
class Fit:
    """Outcome of a fit or of a check."""

    estimates: tuple[Estimate, ...]
    signals: tuple[Signal, ...]
    parameters: PlantParameters
    covariance: Array
    """Of the logarithms, in the order of `estimates`."""
    chi_square: float
    """Per reading, over all."""
    start_chi_square: float
    runs: int
    """Simulated runs that it took."""
    starts: int
    ways: tuple[Way, ...] = ()
    notes: tuple[str, ...] = ()


class _Reading(NamedTuple):
    """One instrument in one run, as the fit goes by it."""

    run: int
    tag: str
    column: int
    instrument: Instrument
    measured: Array
    sigma: Array
    valid: Any
    first_error: int
    """Place of its bias among the instruments' errors; gain, drift and delay follow."""


class _End(NamedTuple):
    """Where the last steps came to."""

    x: Array
    """Logarithms of the parameters, errors of the instruments, place between the jittered runs."""
    shown: list[Array]
    by_signal: list[Array]
    inflation: list[float]
    inside: Any
    """Which of `x` are within their ranges."""
    inverse: Array
    """Covariance of those, by straight lines."""
    jacobian: Array
    """Weighted rows of the readings."""
    weights: Array


@compiled
def _lagged(times: Array, values: Array, lags: Array) -> Array:
    """First-order lag of each column; exact for values that run straight between the times."""
    out = values.copy()
    for c in range(values.shape[1]):
        lag = lags[c]
        if lag <= 0.0:
            continue
        for n in range(1, times.shape[0]):
            dt = times[n] - times[n - 1]
            slope = (values[n, c] - values[n - 1, c]) / dt
            behind = (out[n - 1, c] - values[n - 1, c] + slope * lag) * np.exp(-dt / lag)
            out[n, c] = values[n, c] - slope * lag + behind
    return out


# ---- parameters by name ----------------------------------------------------------------------------------


def value_of(parameters: PlantParameters, name: str) -> float:
    """A parameter by `group.field`."""
    group, _, item = name.partition(".")
    return float(getattr(getattr(parameters, group), item))


def with_values(parameters: PlantParameters, values: Mapping[str, float]) -> PlantParameters:
    """Parameters with some of them replaced, by `group.field`."""
    groups: dict[str, dict[str, float]] = {}
    for name, value in values.items():
        group, _, item = name.partition(".")
        groups.setdefault(group, {})[item] = value
    changed: dict[str, Any] = {group: replace(getattr(parameters, group), **new) for group, new in groups.items()}
    return replace(parameters, **changed)


def default_names(parameters: PlantParameters, *, charge_known: bool) -> tuple[str, ...]:
    """What is estimated when nothing else is asked for."""
    a = parameters.appliance
    names = list(WIDTHS)
    if not (a.liquid_core_fitted or a.vapor_core_fitted):
        names.remove("appliance.core_kv_m3_h")
    if a.liquid_core_fitted and a.vapor_core_fitted:
        names.remove("appliance.port_kv_m3_h")
    if a.oil_kg <= 0.0:
        names = [name for name in names if name not in ("appliance.oil_kg", "appliance.desorption_time_cold_s")]
    if charge_known:
        names.remove("appliance.charge_kg")
    return tuple(names)


def free_parameters(
    parameters: PlantParameters, names: Sequence[str], *, prior: bool = True, widths: Mapping[str, float] | None = None
) -> tuple[Free, ...]:
    """Make parameters ready to be estimated.

    Parameters
    ----------
    parameters
        Where the fit starts, and the middle of what is known beforehand.
    names
        `group.field` of each, with its unit.
    prior
        Whether anything is known beforehand.
    widths
        Instead of `WIDTHS`.

    Raises
    ------
    FitError
        If one cannot be estimated.
    """
    known = {info.name: info for info in describe()}
    made = []
    for name in dict.fromkeys(names):
        info = known.get(name)
        if info is None:
            raise FitError(f"there is no parameter {name}.")
        if info.low is None or info.high is None:
            raise FitError(f"{name} is a yes or no; only figures can be estimated.")
        low, high = NARROWER.get(name, (info.low, info.high))
        start = value_of(parameters, name)
        low = max(low, 1e-6 * max(high, start))
        if start <= 0.0 or not low <= start <= high:
            raise FitError(
                f"{name} is {start:g} in the files; a fit goes by its logarithm and needs a start from {low:g} to "
                f"{high:g}."
            )
        width = (WIDTHS | dict(widths or {})).get(name, OTHER_WIDTH) if prior else inf
        along = ALONG.get(name, ())
        for other in along:
            # What is scaled along stays within its own range, too.
            ratio, about = value_of(parameters, other) / start, known[other]
            if about.low is not None and about.high is not None:
                low, high = max(low, about.low / ratio), min(high, about.high / ratio)
        made.append(Free(name, start, low, high, width, along))
    if not made:
        raise FitError("there is nothing to estimate; name a parameter with --free.")
    return tuple(made)


# ---- the problem -----------------------------------------------------------------------------------------


@dataclass
class Problem:
    """Runs, a plant, and what is unknown of it."""

    runs: Sequence[Run]
    refrigerant: str
    parameters: PlantParameters
    hand: Hand
    instruments: Sequence[Instrument]
    free: tuple[Free, ...]
    workers: int | None = None
    say: Callable[[str], None] = field(default=lambda _: None)
    """Told how it goes, in sentences."""

    def __post_init__(self) -> None:
        by_tag = {one.tag: one for one in self.instruments}
        self._tags = [list(run.measured) for run in self.runs]
        self._readings: list[_Reading] = []
        for number, run in enumerate(self.runs):
            for column, tag in enumerate(self._tags[number]):
                one, measured = by_tag[tag], run.measured[tag]
                noise = one.noise**2 + one.resolution**2 / 12.0 + run.spread[tag] ** 2
                if one.noise <= 0.0 and one.resolution <= 0.0:
                    raise FitError(f"{tag} has no noise in the rig's file; give it with --noise.")
                self._readings.append(
                    _Reading(
                        number, tag, column, one, measured, np.sqrt(noise), np.isfinite(measured),
                        _ERRORS * len(self._readings),
                    )
                )  # fmt: skip
        self._lags = [np.array([by_tag[tag].lag_s for tag in tags]) for tags in self._tags]
        self._places = [[TRUTH_OF[tag] for tag in tags] for tags in self._tags]
        plant = Plant(self.refrigerant, self.parameters)
        plant.hand = replace(self.hand)
        self._inputs = [input_rows(plant, run.acts) for run in self.runs]
        self._start = np.array([log(one.start) for one in self.free])
        self._low = np.array([log(one.low) for one in self.free])
        self._high = np.array([log(one.high) for one in self.free])
        self._widths = np.array([one.width for one in self.free])
        self._scales = np.where(np.isfinite(self._widths), self._widths, OTHER_WIDTH)
        self._coarse = np.clip(_STEP_SHARE * self._scales, 0.02, _LARGEST_STEP)
        self._steps = self._coarse
        self._spread = [np.zeros(len(one.measured)) for one in self._readings]
        self._directions: Array = np.eye(len(self.free))
        self._modes = [np.zeros((len(one.measured), _JITTERED_RUNS)) for one in self._readings]
        self._first_mode = _ERRORS * len(self._readings)
        self._unknowns = self._first_mode + _JITTERED_RUNS * len(self.runs)
        """Beside the parameters: errors of the instruments, and where between its jittered runs the model stands."""
        self._cache: dict[bytes, list[Array] | None] = {}
        self.simulated = 0
        self.error = ""

    # ---- prediction

    def parameters_at(self, point: Array) -> PlantParameters:
        """The plant's parameters where the logarithms are `point`."""
        values: dict[str, float] = {}
        for one, at_log in zip(self.free, point.tolist(), strict=True):
            value = min(max(exp(at_log), one.low), one.high)
            values[one.name] = value
            for other in one.along:
                values[other] = value_of(self.parameters, other) * value / one.start
        return with_values(self.parameters, values)

    def _simulate(self, work: tuple[Array, int, float]) -> Array | None:
        point, number, step_s = work
        run = self.runs[number]
        try:
            plant = Plant(self.refrigerant, self.parameters_at(point), step_s=step_s)
            plant.hand = replace(self.hand)
            shown = follow(plant, run.times_s, self._inputs[number], self._places[number])
        except (PlantError, ValueError) as error:
            self.error = str(error)
            return None
        shown = _lagged(run.times_s, shown, self._lags[number])
        return shown[run.samples] if np.isfinite(shown).all() else None

    def predict(self, points: Sequence[Array]) -> list[list[Array] | None]:
        """What the instruments would show without errors of their own, for each run; None where the plant fails."""
        new = [point for point in points if point.tobytes() not in self._cache]
        count = len(self.runs)
        shown = in_parallel(self._simulate, [(p, n, _STEP_S) for p in new for n in range(count)], self.workers)
        self.simulated += len(shown)
        if len(self._cache) > 200:
            self._cache.clear()
        for place, point in enumerate(new):
            mine = shown[place * count : (place + 1) * count]
            fit = [one for one in mine if one is not None]
            self._cache[point.tobytes()] = fit if len(fit) == count else None
        missing = [point for point in points if point.tobytes() not in self._cache]
        if missing:
            return self.predict(points)
        return [self._cache[point.tobytes()] for point in points]

    def _column(self, shown: list[Array], one: _Reading) -> Array:
        column: Array = shown[one.run][:, one.column]
        return column

    # ---- the model's own spread

    def _jittered(self, point: Array) -> list[list[Array]]:
        """Runs so close that only what the model amplifies and its own stepping tells them apart."""
        random = np.random.default_rng(20260504)
        work: list[tuple[Array, int, float]] = []
        shortest, longest = (step_s**2 for step_s in _JITTERED_STEPS_S)
        for step_s in np.sqrt(np.linspace(shortest, longest, _JITTERED_RUNS)).tolist():
            near = np.clip(point + _JITTER * random.standard_normal(len(point)), self._low, self._high)
            work += [(near, number, step_s) for number in range(len(self.runs))]
        shown = in_parallel(self._simulate, work, self.workers)
        self.simulated += len(shown)
        count = len(self.runs)
        found = []
        for first in range(0, len(shown), count):
            whole = [one for one in shown[first : first + count] if one is not None]
            if len(whole) == count:
                found.append(whole)
        return found

    def _measure_spread(self, point: Array) -> list[list[Array]]:
        """Measure how far runs with all but the same parameters lie apart; returns what they showed."""
        shown = self._jittered(point)
        if len(shown) >= 2:
            for place, one in enumerate(self._readings):
                columns = np.array([self._column(each, one) for each in shown])
                self._spread[place] = _widest(columns.std(axis=0, ddof=1), _SMOOTH)
                apart = (columns - columns.mean(axis=0)) / (len(shown) - 1) ** 0.5
                self._modes[place] = np.zeros((len(one.measured), _JITTERED_RUNS))
                self._modes[place][:, : len(shown)] = apart.T
        return shown

    def _used(self, place: int) -> Any:
        one = self._readings[place]
        return one.valid & (self._spread[place] < one.sigma)

    def _sigma(self, place: int) -> Array:
        sigma: Array = np.hypot(self._readings[place].sigma, self._spread[place])
        return sigma

    # ---- differences and their derivatives

    def _errors(self, one: _Reading, column: Array, q: Array) -> Array:
        """What the instrument adds: its errors in standard deviations are `q`."""
        added: Array = self._error_columns(one, column) @ q[one.first_error : one.first_error + _ERRORS]
        return added

    def _error_columns(self, one: _Reading, column: Array) -> Array:
        """What one standard deviation of each error adds: bias, gain, drift, and half a period of delay.

        A loop that reads now and then has no continuous lag: it shows up to half a period sooner or later.
        """
        own, run = one.instrument, self.runs[one.run]
        times = run.times_s[run.samples]
        rate = np.gradient(column, times)
        return np.column_stack(
            (
                np.full(len(column), own.bias_std),
                own.gain_std * column,
                own.drift_std_per_h * times / 3600.0,
                0.5 * run.period_s * rate,
            )
        )

    def _wobble(self, place: int, q: Array) -> Array:
        """What the model adds by standing elsewhere between its jittered runs; one place for all instruments of a run.

        Their deviations from the mean, times independent numbers of variance 1, have the covariance that was measured.
        """
        first = self._first_mode + _JITTERED_RUNS * self._readings[place].run
        added: Array = self._modes[place] @ q[first : first + _JITTERED_RUNS]
        return added

    def _differences(self, shown: list[Array], q: Array) -> list[Array]:
        """Normalised differences of each instrument at the readings that are used."""
        found = []
        for place, one in enumerate(self._readings):
            column = self._column(shown, one)
            used = self._used(place)
            gap = column + self._errors(one, column, q) + self._wobble(place, q) - one.measured
            found.append((gap / self._sigma(place))[used])
        return found

    def _quotients(self, point: Array, steps: Array, beside: list[list[Array] | None], base: list[Array] | None) -> Any:
        """Difference quotients per instrument; a response that the model's own spread could feign is none.

        `steps` are signed; with `base` None, the second half of `beside` was run with the opposite steps.
        """
        n = len(point)
        found = []
        for place, one in enumerate(self._readings):
            used, sigma = self._used(place), self._sigma(place)
            response = np.zeros((int(used.sum()), n))
            for k in range(n):
                there = beside[k]
                here = beside[n + k] if base is None else base
                if there is None or here is None:
                    continue
                change = self._column(there, one) - self._column(here, one)
                change = np.where(np.abs(change) > _CLEAR * self._spread[place], change, 0.0)
                width = steps[k] if base is not None else 2.0 * steps[k]
                response[:, k] = (change / width / sigma)[used]
            found.append(response)
        return found

    def _responses(self, point: Array, shown: list[Array]) -> list[Array]:
        """Derivatives of the normalised differences by the parameters, per instrument, to one side."""
        # Away from the end of the range that is nearer.
        steps = np.where(point + self._steps > self._high, -self._steps, self._steps)
        beside = self.predict([point + steps[k] * unit for k, unit in enumerate(np.eye(len(point)))])
        found: list[Array] = self._quotients(point, steps, beside, shown)
        return found

    def _better_responses(self, point: Array) -> tuple[list[Array], list[Array]]:
        """Derivatives from steps to both sides, and how far they differ from those with half the steps."""
        n = len(point)
        # Within the range to both sides; a parameter at its limit has no part in the covariance.
        room = np.maximum(np.minimum(point - self._low, self._high - point), 1e-3)
        steps = np.minimum(self._steps, 0.5 * room)
        both = [
            point + factor * sign * steps[k] * unit
            for factor in (1.0, 2.0)
            for sign in (1.0, -1.0)
            for k, unit in enumerate(np.eye(n))
        ]
        beside = self.predict(both)
        near = self._quotients(point, steps, beside[: 2 * n], None)
        far = self._quotients(point, 2.0 * steps, beside[2 * n :], None)
        best, doubts = [], []
        for a, b in zip(near, far, strict=True):
            # In standard deviations of the reading, for the step itself: a reading whose responses to one step and to
            # twice the step do not agree tells nothing of any parameter.
            apart = (np.abs(a - b) * 2.0 * steps).max(axis=1, initial=0.0)
            most = (np.abs(b) * 2.0 * steps).max(axis=1, initial=0.0)
            agree = (apart < np.maximum(_AGREE * most, _AGREE_SD))[:, None]
            best.append(np.where(agree, b, 0.0))
            doubts.append(np.where(agree, a - b, 0.0))
        return best, doubts

    def _tune_steps(self, responses: list[Array]) -> None:
        size = np.sqrt(np.sum([(one**2).sum(axis=0) for one in responses], axis=0))
        self._steps = np.clip(_MOVED / np.maximum(size, 1e-9), _LEAST_STEP, _LARGEST_STEP)

    def _sound(self, responses: list[Array], doubts: list[Array], own: list[Array]) -> Array:
        """Projector on the directions of which the responses say more than they could feign.

        Parameters in series (three restrictions of one way) respond alike; what little their quotients differ is error
        of the quotients, and must not pass for knowledge. Directions count in prior standard deviations, and what
        errors of the instruments would explain is taken out first.
        """
        n = len(self.free)
        told, feigned = np.zeros((n, n)), np.zeros((n, n))
        for response, doubt, error in zip(responses, doubts, own, strict=True):
            inner = np.linalg.inv(error.T @ error + np.eye(error.shape[1]))
            for matrix, columns in ((told, response * self._scales), (feigned, doubt * self._scales)):
                across = error.T @ columns
                matrix += columns.T @ columns - across.T @ inner @ across
        values, directions = np.linalg.eigh(told)
        doubtful = [
            direction
            for value, direction in zip(values, directions.T, strict=True)
            if value < _TOLD * float(direction @ feigned @ direction)
        ]
        projector = np.eye(n)
        for direction in doubtful:
            projector -= np.outer(direction, direction)
        # From scaled parameters to the logarithms themselves.
        sound: Array = self._scales[:, None] * projector / self._scales[None, :]
        return sound

    def _error_responses(self, shown: list[Array]) -> list[Array]:
        """Derivatives by the instrument's own errors and by the place between the jittered runs."""
        found = []
        for place, one in enumerate(self._readings):
            column = self._column(shown, one)
            columns = np.column_stack((self._error_columns(one, column), self._modes[place]))
            found.append((columns / self._sigma(place)[:, None])[self._used(place)])
        return found

    def _residuals(self, x: Array) -> Array:
        n = len(self.free)
        point, q = x[:n], x[n:]
        shown = self.predict([point])[0]
        prior = (point - self._start) / self._widths
        if shown is None:
            count = sum(int(self._used(place).sum()) for place in range(len(self._readings)))
            return np.concatenate((np.full(count, _FAILED), prior, q))
        return np.concatenate((*self._differences(shown, q), prior, q))

    def _jacobian(self, x: Array) -> Array:
        shown = self.predict([x[: len(self.free)]])[0]
        if shown is None:
            raise FitError(f"the plant fails at the start of the fit ({self.error}); start from other figures.")
        responses = [one @ self._directions for one in self._responses(x[: len(self.free)], shown)]
        return self._assembled(responses, self._error_responses(shown))

    def _assembled(self, responses: list[Array], own: list[Array]) -> Array:
        """All derivatives in one matrix: readings, what is known beforehand, errors of the instruments."""
        n, errors = len(self.free), self._unknowns
        rows = sum(len(one) for one in responses)
        whole = np.zeros((rows + n + errors, n + errors))
        begin = 0
        for place, response in enumerate(responses):
            end = begin + len(response)
            whole[begin:end, :n] = response
            first = n + self._readings[place].first_error
            whole[begin:end, first : first + _ERRORS] = own[place][:, :_ERRORS]
            first = n + self._first_mode + _JITTERED_RUNS * self._readings[place].run
            whole[begin:end, first : first + _JITTERED_RUNS] = own[place][:, _ERRORS:]
            begin = end
        whole[rows : rows + n, :n] = np.diag(1.0 / self._widths)
        whole[rows + n :, n:] = np.eye(errors)
        return whole

    def _mean_square(self, x: Array) -> float:
        n = len(self.free)
        shown = self.predict([x[:n]])[0]
        if shown is None:
            return inf
        every = np.concatenate(self._differences(shown, x[n:]))
        return float(np.mean(every**2)) if every.size else nan

    # ---- solving

    def _minimise(self, x: Array, most: int, tolerance: float) -> Array:
        from scipy.optimize import least_squares

        n = len(self.free)
        free_range = np.full(len(x) - n, inf)
        low = np.concatenate((self._low - 1e-9, -free_range))
        high = np.concatenate((self._high + 1e-9, free_range))
        x = np.clip(x, low + 1e-8, high - 1e-8)
        scale = np.concatenate((self._scales, np.ones(len(x) - n)))
        tried = 0

        def told(y: Array) -> Array:
            nonlocal tried
            tried += 1
            found = self._residuals(x + y)
            chi = float(found[: -len(x)] @ found[: -len(x)]) / max(len(found) - len(x), 1)
            self.say(f"step {tried}: chi-square {chi:.3g} per reading, {self.simulated} simulated runs")
            return found

        # Counted from the start, so that the first step is no longer than one prior standard deviation: far away the
        # way of restrictions in series is anything but straight.
        answer = least_squares(
            told, np.zeros(len(x)), jac=lambda y: self._jacobian(x + y), bounds=(low - x, high - x), x_scale=scale,
            method="trf", max_nfev=most, ftol=tolerance, xtol=1e-4, gtol=None,
        )  # fmt: skip
        solved: Array = x + answer.x
        return solved

    def _from(self, start: Array) -> Array:
        """Minimise from one start: first with wide difference quotients, then with such as suit the place reached."""
        x = np.concatenate((start, np.zeros(self._unknowns)))
        for steps, most, tolerance in ((self._coarse, 15, 0.05), (None, 15, 0.01)):
            point = x[: len(self.free)]
            if steps is None:
                self._measure_spread(point)
            else:
                # Far away the model may be wild where the truth is calm: nothing is left out before it is near.
                self._spread = [np.zeros(len(one.measured)) for one in self._readings]
            self._modes = [np.zeros_like(one) for one in self._modes]
            shown = self.predict([point])[0]
            if shown is None:
                return x
            self._tune_steps(self._responses(point, shown))
            self._directions = self._sound(*self._better_responses(point), self._error_responses(shown))
            if steps is not None:
                self._steps = steps
            x = self._minimise(x, most, tolerance)
        return x

    def solve(self) -> Fit:
        """Estimate the parameters.

        Raises
        ------
        FitError
            If the plant cannot follow the runs from the start that was given.
        """
        n = len(self.free)
        shown = self.predict([self._start])[0]
        if shown is None:
            raise FitError(f"the plant cannot follow the recording from this start: {self.error}; check files and run.")
        zero = np.concatenate((self._start, np.zeros(self._unknowns)))
        began = self._mean_square(zero)
        best, starts = self._from(self._start), 1
        lowest = self._mean_square(best)
        random = np.random.default_rng(20260505)
        while lowest > _BAD**2 and starts < _STARTS:
            starts += 1
            self.say(f"chi-square is still {lowest:.3g} per reading; start {starts} from other figures")
            start = np.clip(self._start + self._scales * random.standard_normal(n), self._low, self._high)
            if self.predict([start])[0] is None:
                continue
            x = self._from(start)
            if (reached := self._mean_square(x)) < lowest:
                best, lowest = x, reached
        return self._finish(best, began, starts)

    def _finish(self, x: Array, began: float, starts: int) -> Fit:
        """Last steps, the covariance, and what follows."""
        n = len(self.free)
        for once_more in range(_LOWER_PLACES, -1, -1):
            end = self._polish(x)
            covariance, aside, held, lower = self._along_valleys(end)
            if lower is None or not once_more:
                break
            self.say("a better place was found along a direction of which little is told: on from there")
            x = lower
        inside = end.inside[:n]
        known = np.full((n, n), nan)
        known[np.ix_(inside, inside)] = covariance
        point, chi_square = end.x[:n], _mean_square(end.by_signal)
        return Fit(
            self._judged(point, known, inside, chi_square),
            self._signals(end.shown, end.x[n:], end.by_signal, end.inflation),
            self.parameters_at(point),
            known,
            chi_square,
            began,
            self.simulated,
            starts,
            self._ways(point, inside, held, aside),
            _notes(chi_square),
        )

    def _polish(self, x: Array) -> _End:
        """Last steps by the mean of several runs, and the covariance by straight lines."""
        n = len(self.free)
        responses: list[Array] = []
        made_at = np.full(n, inf)
        sds, sound = np.zeros(n), np.eye(n)
        for step in range(_POLISH + 1):
            point, q = x[:n], x[n:]
            near = bool(np.all(np.abs(point - made_at) < np.maximum(2.0 * sds, 0.05 * self._scales)))
            shown = self._mean_of(self._jittered(point) if near else self._measure_spread(point))
            own = self._error_responses(shown)
            if not near:
                self._tune_steps(self._responses(point, shown))
                responses, doubts = self._better_responses(point)
                sound = self._sound(responses, doubts, own)
                responses = [one @ sound for one in responses]
                made_at = point.copy()
            jacobian = self._assembled(responses, own)
            inside = np.concatenate(((point > self._low + 1e-6) & (point < self._high - 1e-6), np.ones(len(q), bool)))
            by_signal = self._differences(shown, q)
            inflation = [max(1.0, _long_run_variance(one)) for one in by_signal]
            weights = np.concatenate(
                [np.full(len(one), by**-0.5) for one, by in zip(by_signal, inflation, strict=True)] + [np.ones(len(x))]
            )
            jacobian *= weights[:, None]
            residual = weights * np.concatenate((*by_signal, (point - self._start) / self._widths, q))
            pull = jacobian.T @ residual
            # A parameter that stands at its limit may leave it again, if it is pulled inwards.
            at_low, at_high = ~inside[:n] & (point < self._low + 1e-3), ~inside[:n] & (point > self._high - 1e-3)
            inside[:n] |= (at_low & (pull[:n] < 0.0)) | (at_high & (pull[:n] > 0.0))
            active = jacobian[:, inside]
            inverse = np.linalg.pinv(active.T @ active, rcond=1e-14, hermitian=True)
            covariance = np.full((len(x), len(x)), nan)
            covariance[np.ix_(inside, inside)] = inverse
            sds = np.sqrt(np.nan_to_num(np.diag(covariance)[:n]))
            move = np.zeros(len(x))
            move[inside] = -inverse @ pull[inside]
            # Where nothing is told, little is moved: a long straight step along restrictions in series would leave the
            # curve on which they make the same way, and others would have to make up for it.
            untold = move[:n] - sound @ move[:n]
            longest = float(np.max(np.abs(untold) / self._scales))
            move[:n] -= untold * (1.0 - min(1.0, _UNTOLD / max(longest, 1e-12)))
            move[:n] = np.clip(move[:n], -0.5 * self._scales, 0.5 * self._scales)
            if step == _POLISH or np.all(np.abs(move[:n]) <= _STILL * sds):
                break
            x = x + move
            x[:n] = np.clip(x[:n], self._low, self._high)
            moved = float(np.max(np.abs(move[:n]) / np.maximum(sds, 1e-12)))
            self.say(f"last step {step + 1}: moved by {moved:.2g} standard errors at most")
        readings = len(residual) - len(x)
        rows = np.asarray(jacobian[:readings], float)
        return _End(x, shown, by_signal, inflation, inside, np.asarray(inverse, float), rows, weights[:readings])

    def _ways(self, point: Array, inside: Any, held: Array, aside: list[Array]) -> tuple[Way, ...]:
        """What restrictions in a row make together: that is known even where it is not known which one is narrow."""
        names = [one.name for one in self.free]
        appliance = self.parameters.appliance
        found: list[Way] = []
        for port, core in (("liquid", appliance.liquid_core_fitted), ("vapor", appliance.vapor_core_fitted)):
            in_a_row = tuple(name for name in IN_SERIES if name != (_PORT if core else _CORE))
            if found and found[0].names == in_a_row:
                found[0] = replace(found[0], port="liquid and vapor")
                continue
            if not any(name in names for name in in_a_row):
                continue

            def resistance(at: Array, in_a_row: tuple[str, ...] = in_a_row) -> float:
                values = [
                    exp(float(at[names.index(name)])) if name in names else value_of(self.parameters, name)
                    for name in in_a_row
                ]
                return float(sum(value**-2.0 for value in values))

            whole = resistance(point)
            # d ln Kv / d ln Kv_i = (Kv / Kv_i)**2.
            slope = np.array([exp(-2.0 * float(at)) / whole if one in in_a_row else 0.0
                              for one, at in zip(names, point.tolist(), strict=True)])  # fmt: skip
            variance = float(slope[inside] @ held @ slope[inside])
            variance += 0.5 * sum((0.5 * log(resistance(point + move) / whole)) ** 2 for move in aside)
            at_end = any(name in names and not inside[names.index(name)] for name in in_a_row)
            found.append(Way(port, in_a_row, whole**-0.5, nan if at_end else variance**0.5))
        return tuple(found)

    def _along_valleys(self, end: _End) -> tuple[Array, list[Array], Array, Array | None]:
        """Covariance of the parameters within their ranges, with the valleys of the sum of squares followed.

        Total covariance is that with the loose directions held, plus that of the best values along them. The others are
        those best values, one standard error to each side, less where the fit ended; the covariance with the loose
        directions held; and a place that was found on the way and is better than where the fit ended, if there is one.
        """
        n = len(self.free)
        inside, inverse = end.inside, end.inverse
        free = inside[:n]
        count = int(free.sum())
        scales = self._scales[free]
        values, directions = np.linalg.eigh(inverse[:count, :count] / np.outer(scales, scales))
        loose = values > _VALLEY**2
        if not loose.any():
            return inverse[:count, :count], [], inverse[:count, :count], None
        across = np.zeros((len(inverse), int(loose.sum())))
        across[:count] = directions[:, loose] / scales[:, None]
        along = inverse @ across
        held = inverse - along @ np.linalg.solve(across.T @ along, along.T)
        found: Array = held[:count, :count].copy()
        aside: list[Array] = []
        bottom, lowest = self._best_beside(end, end.x, np.zeros(len(end.x)), held)
        best, best_height = None, lowest - _LOWER
        for column, value in enumerate(values[loose].tolist()):
            # Without anything known beforehand one standard error may be far out of all ranges.
            share = max(value**0.5, 1.0)
            for sign in (1.0, -1.0):
                straight = np.zeros(len(end.x))
                straight[inside] = sign * along[:, column] / value**0.5 / share
                reach = value**0.5 / share
                for _ in range(_VALLEY_REACHES):
                    there, height = self._best_beside(end, end.x + bottom, straight, held)
                    if height < best_height:
                        best, best_height = end.x + bottom + there, height
                    longer = min(max(height - lowest, 0.25) ** -0.5, _VALLEY_LONGEST / reach)
                    if longer < 1.15:
                        break
                    straight, reach = there * longer, reach * longer
                aside.append(share * there[:n])
                found += 0.5 * np.outer(aside[-1][free], aside[-1][free])
        return found, aside, held[:count, :count], best

    def _best_beside(self, end: _End, x: Array, straight: Array, held: Array) -> tuple[Array, float]:
        """Where the best values lie from `x`, if one direction is moved and everything else may follow.

        Returns the way there and the sum of squares at its end.
        """
        n = len(self.free)
        best, lowest = straight, inf
        moved = straight.copy()
        for _ in range(_VALLEY_STEPS):
            there = x + moved
            there[:n] = np.clip(there[:n], self._low, self._high)
            shown = self.predict([there[:n]])[0]
            if shown is None:
                break
            gaps = end.weights * np.concatenate(self._differences(shown, there[n:]))
            prior = np.concatenate(((there[:n] - self._start) / self._widths, there[n:]))
            cost = float(gaps @ gaps + prior @ prior)
            if cost < lowest:
                best, lowest = there - x, cost
            pull = end.jacobian.T @ gaps + prior / np.concatenate((self._widths, np.ones(len(x) - n)))
            step = np.zeros(len(x))
            step[end.inside] = -held @ pull[end.inside]
            if float(np.sqrt(np.sum((end.jacobian @ step) ** 2))) < _STILL:
                break
            step[:n] = np.clip(step[:n], -0.5 * self._scales, 0.5 * self._scales)
            moved = there - x + step
        return best, lowest

    def _mean_of(self, shown: list[list[Array]]) -> list[Array]:
        if not shown:
            raise FitError(f"the plant cannot follow the recording with these parameters: {self.error}.")
        return [np.mean([one[n] for one in shown], axis=0) for n in range(len(self.runs))]

    def check(self) -> Fit:
        """Compare the plant as it is with the runs; only the instruments' errors are estimated.

        Raises
        ------
        FitError
            If the plant cannot follow the runs.
        """
        point = self._start
        shown = self._mean_of(self._measure_spread(point))
        q: Array = np.zeros(self._unknowns)
        by_signal = self._differences(shown, q)
        gaps = np.concatenate(by_signal)
        whole: Array = self._assembled(
            [np.zeros((len(one), len(self.free))) for one in by_signal], self._error_responses(shown)
        )[:, len(self.free) :]
        q = np.asarray(-np.linalg.solve(whole.T @ whole, whole[: len(gaps)].T @ gaps))
        before, by_signal = by_signal, self._differences(shown, q)
        inflation = [max(1.0, _long_run_variance(one)) for one in by_signal]
        return Fit(
            (), self._signals(shown, q, by_signal, inflation), self.parameters, np.zeros((0, 0)),
            _mean_square(by_signal), _mean_square(before), self.simulated, 0,
        )  # fmt: skip

    # ---- judging

    def _judged(self, point: Array, covariance: Array, inside: Any, chi_square: float) -> tuple[Estimate, ...]:
        found = []
        sds = np.sqrt(np.diag(covariance))
        for k, one in enumerate(self.free):
            value, sd = exp(float(point[k])), float(sds[k])
            partners, alike = self._partners(covariance, inside, k)
            verdict = ""
            if chi_square > _WRONG**2:
                verdict = "is only part of the best of a bad fit"
            elif not inside[k]:
                end = "lower" if point[k] < 0.5 * (self._low[k] + self._high[k]) else "upper"
                verdict = f"stands at the {end} end of its range; the runs do not say how far beyond it lies"
            elif isfinite(one.width) and sd > _UNSURE_SHARE * one.width:
                verdict = f"is known no better than before these runs ({sd:.0%} after, {one.width:.0%} before)"
            elif not sd <= _UNSURE:
                verdict = f"is uncertain by {sd:.0%}" if isfinite(sd) else "does not show in these runs at all"
            elif alike > _ALIKE and sd > _LOOSE_SHARE * self._scales[k]:
                verdict = "shows only together with others"
            if verdict and alike > _ALIKE:
                verdict += f"; cannot be told apart from {' and '.join(partners)}"
            found.append(
                Estimate(
                    one.name, one.start, min(max(value, one.low), one.high), sd, one.width,
                    partners if alike > _ALIKE else (), alike, verdict,
                )
            )  # fmt: skip
        open_ones = [one.name for one in found if one.name in IN_SERIES and not one.identified]
        return tuple(
            replace(
                one, verdict=f"is one of several restrictions in a row; not told apart from {' and '.join(open_ones)}"
            )
            if one.identified and one.name in IN_SERIES and open_ones
            else one
            for one in found
        )

    def _partners(self, covariance: Array, inside: Any, k: int) -> tuple[tuple[str, ...], float]:
        """The parameters that could stand in for one of them, and how well: the multiple correlation, 0 to 1."""
        others = [j for j in range(len(self.free)) if j != k and inside[j]]
        if not inside[k] or not others:
            return (), 0.0
        sds = np.sqrt(np.diag(covariance))
        c = covariance[np.ix_(others, others)] / np.outer(sds[others], sds[others])
        with_k = covariance[others, k] / (sds[others] * sds[k])
        shares = np.linalg.lstsq(c, with_k, rcond=1e-10)[0]
        alike = float(np.sqrt(min(max(with_k @ shares, 0.0), 1.0)))
        order = sorted(range(len(others)), key=lambda n: -abs(float(shares[n])))
        most = abs(float(shares[order[0]]))
        return tuple(self.free[others[n]].name for n in order[:3] if abs(float(shares[n])) > 0.4 * most), alike

    def _signals(
        self, shown: list[Array], q: Array, by_signal: list[Array], inflation: list[float]
    ) -> tuple[Signal, ...]:
        found = []
        for place, one in enumerate(self._readings):
            run = self.runs[one.run]
            times = run.times_s[run.samples] + run.origin_s
            column = self._column(shown, one)
            used, gaps = self._used(place), by_signal[place]
            normalised = np.full(len(column), nan)
            normalised[used] = -gaps  # measured less fitted
            errors = self._errors(one, column, q)
            fitted = column + errors + self._wobble(place, q)
            worst = int(np.nanargmax(np.abs(normalised))) if used.any() else 0
            found.append(
                Signal(
                    run.name, one.tag, times, one.measured, fitted, normalised, len(gaps),
                    int((one.valid & ~used).sum()),
                    float(np.mean(gaps**2)) if len(gaps) else nan, inflation[place], float(np.mean(errors)),
                    float(normalised[worst]), float(times[worst]),
                )
            )  # fmt: skip
        return tuple(found)


def _notes(chi_square: float) -> tuple[str, ...]:
    if not chi_square > _BAD**2:
        return ()
    return (
        f"The plant does not explain these runs (chi-square {chi_square:.3g} per reading where 1 is right): look at "
        "the largest residuals, and do not trust the standard errors.",
    )


def _widest(values: Array, around: int) -> Array:
    """The largest value within so many places to both sides."""
    padded = np.pad(values, around, mode="edge")
    widest: Array = np.lib.stride_tricks.sliding_window_view(padded, 2 * around + 1).max(axis=1)
    return widest


def _mean_square(parts: Sequence[Array]) -> float:
    every = np.concatenate(parts)
    return float(np.mean(every**2)) if every.size else nan


def _long_run_variance(values: Array) -> float:
    """Variance of the sum of a series over its length: above the plain one where values follow one another.

    Autocovariances are summed in pairs until a pair is no longer positive (Geyer 1992), up to a quarter of the length.
    """
    n = len(values)
    if n < 8:
        return float(np.mean(values**2)) if n else 1.0
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(values, size)) ** 2
    covariances = np.fft.irfft(spectrum, size)[: n // 4 + 2] / n
    total = float(covariances[0])
    for lag in range(1, n // 4, 2):
        pair = float(covariances[lag] + covariances[lag + 1])
        if pair <= 0.0:
            break
        total += 2.0 * pair
    return total
