"""Contacts and switches on the lines of a GPIO chip, by libgpiod 2 (character device, no sysfs).

All lines are one request: the kernel takes the inputs together and sets the outputs together. Outputs begin inactive
and are set inactive again before the lines are let go; which level that is says `active_low`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from math import isfinite
from time import monotonic
from typing import Any, Final, Literal

import msgspec

from rigctl.hardware import checking
from rigctl.hardware.driver import DriverError, Sample, Wire, WiringError

_OPTIONS: Final = {"chip": 'chip = "/dev/gpiochip0"'}
_ADDRESS: Final = {
    "line": 'line = 17, the offset on the chip, or its name like "GPIO17"',
    "active_low": "active_low = true or false without quotes",
    "bias": 'bias = "pull-up", "pull-down", "disabled" or "as-is"',
}


class _Options(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    chip: str


class _Address(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    line: int | str
    active_low: bool = False
    bias: Literal["pull-up", "pull-down", "disabled", "as-is"] | None = None


def _library() -> Any:
    """The gpiod module; a test puts another one in its place."""
    try:
        import gpiod
        import gpiod.line
    except ImportError:
        raise DriverError("GPIO needs the library gpiod; in the checkout: pip install '.[gpio]'.") from None
    return gpiod


class GpioDriver:
    """The lines of one chip."""

    def __init__(self, chip: str, inputs: Mapping[str, _Address], outputs: Mapping[str, _Address]) -> None:
        self._chip, self._inputs, self._outputs = chip, inputs, outputs
        self._gpiod: Any = None
        self._request: Any = None

    def open(self) -> None:
        """Ask for all lines at once, outputs inactive."""
        self.close()
        self._gpiod = gpiod = _library()
        line = gpiod.line
        config = {
            a.line: gpiod.LineSettings(
                direction=line.Direction.INPUT,
                bias=getattr(line.Bias, (a.bias or "as-is").replace("-", "_").upper()),
                active_low=a.active_low,
            )
            for a in self._inputs.values()
        } | {
            a.line: gpiod.LineSettings(
                direction=line.Direction.OUTPUT, active_low=a.active_low, output_value=line.Value.INACTIVE
            )
            for a in self._outputs.values()
        }
        if config:
            with self._trouble("cannot be opened"):
                self._request = gpiod.request_lines(self._chip, config=config, consumer="rigctl")

    def read(self) -> dict[str, Sample]:
        """All inputs in one call to the kernel: 1 for active, 0 for inactive."""
        taken_at_s = monotonic()
        levels = self._levels(self._inputs)
        return {tag: Sample(level, taken_at_s) for tag, level in levels.items()}

    def write(self, raw: Mapping[str, float]) -> dict[str, float]:
        """All outputs in one call to the kernel, above 0.5 active, and what the lines then are."""
        if not self._outputs:
            return {}
        value = self._gpiod_of().line.Value
        # What nobody commands, or not with a number, is inactive.
        wanted = {
            a.line: value.ACTIVE if isfinite(share := raw.get(tag, 0.0)) and share > 0.5 else value.INACTIVE
            for tag, a in self._outputs.items()
        }
        with self._trouble("cannot be set"):
            self._request.set_values(wanted)
        return self._levels(self._outputs)

    def close(self) -> None:
        """Outputs inactive, lines free."""
        request, self._request = self._request, None
        if request is None:
            return
        with suppress(Exception):  # a chip that was pulled out takes nothing any more; the lines must go all the same
            if self._outputs:
                inactive = self._gpiod.line.Value.INACTIVE
                request.set_values({a.line: inactive for a in self._outputs.values()})
        with suppress(Exception):
            request.release()

    def _gpiod_of(self) -> Any:
        if self._request is None:
            raise DriverError(f"{self._chip} is not open.")
        return self._gpiod

    def _levels(self, lines: Mapping[str, _Address]) -> dict[str, float]:
        if not lines:  # the library takes no names as all names
            return {}
        value = self._gpiod_of().line.Value
        with self._trouble("does not answer"):
            found = list(self._request.get_values([a.line for a in lines.values()]))
        if len(found) != len(lines) or any(one not in (value.ACTIVE, value.INACTIVE) for one in found):
            raise DriverError(f"{self._chip} answers {len(lines)} lines with {found!r}.")
        return {tag: float(one == value.ACTIVE) for tag, one in zip(lines, found, strict=True)}

    @contextmanager
    def _trouble(self, what: str) -> Iterator[None]:
        try:
            yield
        except Exception as error:  # the library raises its own kinds besides OSError and ValueError
            raise DriverError(f"{self._chip} {what}: {error or type(error).__name__}.") from error


def make(kind: str, options: Mapping[str, object], wires: Sequence[Wire]) -> GpioDriver:
    """Return the driver of one chip.

    Raises
    ------
    WiringError
        If an option or an address cannot be used.
    """
    chip = checking.checked(_Options, options, _OPTIONS).chip
    inputs: dict[str, _Address] = {}
    outputs: dict[str, _Address] = {}
    taken: dict[int | str, str] = {}
    for wire in wires:
        where = f'points."{wire.tag}"'
        address = checking.checked(_Address, wire.address, _ADDRESS, f"{where}.")
        if address.line in ("",) or (isinstance(address.line, int) and address.line < 0):
            raise WiringError(f"{where}.line: {address.line!r} is no line; write {_ADDRESS['line']}.")
        if wire.output and address.bias is not None:
            raise WiringError(f"{where}.bias: only an input has a bias; remove it.")
        if address.line in taken:
            raise WiringError(f"{where}.line: {address.line!r} is {taken[address.line]} already; write its own line.")
        taken[address.line] = wire.tag
        (outputs if wire.output else inputs)[wire.tag] = address
    return GpioDriver(chip, inputs, outputs)
