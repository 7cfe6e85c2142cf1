"""Converters that Linux knows as industrial I/O devices, by their files in sysfs.

Linux ABI, Documentation/ABI/testing/sysfs-bus-iio: value = (raw + offset) * scale, in mV, mA or milli degC; an
attribute may be shared by all channels of a type (`in_voltage_scale`), a direction or the device. One that is nowhere
leaves the value as it is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from math import isfinite, nan
from pathlib import Path
from time import monotonic
from typing import Annotated, Final

import msgspec

from rigctl.control.readings import Fault
from rigctl.hardware import checking, sysfs
from rigctl.hardware.driver import DriverError, Sample, Wire, WiringError

_OPTIONS: Final = {"root": 'root = "/sys/bus/iio/devices"'}
_ADDRESS: Final = {
    "device": 'device = "iio:device0", or what its file "name" says',
    "channel": 'channel = "in_voltage0" (an input) or "out_voltage0" (an output)',
}


class _Options(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    root: str = "/sys/bus/iio/devices"


class _Address(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    device: Annotated[str, msgspec.Meta(pattern=r"^[^/.][^/]*\Z")]
    channel: Annotated[str, msgspec.Meta(pattern=r"^(in|out)_[A-Za-z0-9_-]+\Z")]


class _Channel(msgspec.Struct, frozen=True):
    """The files of one channel, as they were when the device was opened: one that goes later is missed."""

    folder: Path
    value: Path
    processed: bool
    offset: Path | None
    scale: Path | None
    available: Path | None


def _shared(folder: Path, channel: str, attribute: str) -> Path | None:
    """The file of an attribute: the channel's own, else that of its type, its direction or the device."""
    of_type = re.sub(r"\d+", "", channel)
    stems = (channel, of_type, "_".join(of_type.split("_")[:2]), channel.split("_")[0])
    names = [*(f"{stem}_{attribute}" for stem in stems), attribute]
    return next((folder / name for name in names if (folder / name).exists()), None)


class IioDriver:
    """Channels of one or more devices below one folder."""

    def __init__(self, root: Path, inputs: Mapping[str, _Address], outputs: Mapping[str, _Address]) -> None:
        self._root, self._inputs, self._outputs = root, inputs, outputs
        self._channels: dict[str, _Channel] = {}

    def open(self) -> None:
        """Find the devices and their files."""
        self._channels = {tag: self._found(address) for tag, address in {**self._inputs, **self._outputs}.items()}

    def read(self) -> dict[str, Sample]:
        """All inputs, one after the other; a channel that fails does not take the others along."""
        self._all_there()
        return {tag: self._sample(self._channels[tag]) for tag in self._inputs}

    def write(self, raw: Mapping[str, float]) -> dict[str, float]:
        """All outputs that are commanded, as whole counts, and what their files then say."""
        self._all_there()
        told = {}
        for tag, address in self._outputs.items():
            if tag not in raw:
                continue
            channel = self._channels[tag]
            try:
                sysfs.write(channel.value, f"{self._counts(raw[tag], channel)}\n")
                told[tag] = sysfs.number(sysfs.read(channel.value))
            except (OSError, ValueError) as error:
                raise DriverError(f"{address.device} {address.channel} cannot be set: {error}.") from error
        return told

    def close(self) -> None:
        """Forget the files; nothing is held open."""
        self._channels = {}

    def _found(self, address: _Address) -> _Channel:
        folder = self._root / address.device
        if not folder.is_dir():
            folder = self._named(address.device)
        processed = not (folder / f"{address.channel}_raw").exists() and (folder / f"{address.channel}_input").exists()
        return _Channel(
            folder,
            folder / f"{address.channel}_{'input' if processed else 'raw'}",
            processed,
            _shared(folder, address.channel, "offset"),
            _shared(folder, address.channel, "scale"),
            _shared(folder, address.channel, "raw_available"),
        )

    def _named(self, name: str) -> Path:
        found = []
        try:
            for folder in sorted(self._root.iterdir()):
                try:
                    if sysfs.read(folder / "name").strip() == name:
                        found.append(folder)
                except OSError:
                    continue
        except OSError as error:
            raise DriverError(f"{self._root} cannot be read: {error.strerror}.") from error
        if len(found) != 1:
            many = "there are " + ", ".join(folder.name for folder in found) if found else "there is none"
            raise DriverError(f"{self._root} must hold one device {name}; {many}.")
        return found[0]

    def _all_there(self) -> None:
        if not self._channels and (self._inputs or self._outputs):
            raise DriverError(f"{self._root} is not open.")
        for folder in {channel.folder for channel in self._channels.values()}:
            if not folder.is_dir():
                raise DriverError(f"{folder} is gone.")

    @staticmethod
    def _sample(channel: _Channel) -> Sample:
        taken_at_s = monotonic()  # a slow device makes its sample older, not younger
        try:
            value = sysfs.number(sysfs.read(channel.value))
            if not channel.processed:
                if channel.offset is not None:
                    value += sysfs.number(sysfs.read(channel.offset))
                if channel.scale is not None:
                    value *= sysfs.number(sysfs.read(channel.scale))
        except OSError:
            return Sample(nan, taken_at_s, Fault.NO_REPLY)
        except ValueError:
            return Sample(nan, taken_at_s, Fault.FAILURE)
        return Sample(value, taken_at_s) if isfinite(value) else Sample(nan, taken_at_s, Fault.FAILURE)

    @staticmethod
    def _counts(wanted: float, channel: _Channel) -> int:
        """The whole number nearest to what is wanted, inside "[lowest step highest]" where the device says it."""
        if not isfinite(wanted):
            raise ValueError(f"{wanted} is no number")
        counts = round(wanted)
        if channel.available is not None:
            ends = re.fullmatch(r"\[(-?\d{1,20}) \d{1,20} (-?\d{1,20})\]\n", sysfs.read(channel.available), re.ASCII)
            if ends is not None:
                counts = min(max(counts, int(ends[1])), int(ends[2]))
        return counts


def make(kind: str, options: Mapping[str, object], wires: Sequence[Wire]) -> IioDriver:
    """Return the driver of the devices below one folder.

    Raises
    ------
    WiringError
        If an option or an address cannot be used.
    """
    root = Path(checking.checked(_Options, options, _OPTIONS).root)
    inputs: dict[str, _Address] = {}
    outputs: dict[str, _Address] = {}
    for wire in wires:
        where = f'points."{wire.tag}"'
        address = checking.checked(_Address, wire.address, _ADDRESS, f"{where}.")
        direction = "out_" if wire.output else "in_"
        if not address.channel.startswith(direction):
            raise WiringError(
                f"{where}.channel: {address.channel!r} goes the other way; write one that begins with {direction}."
            )
        (outputs if wire.output else inputs)[wire.tag] = address
    if len({(a.device, a.channel) for a in outputs.values()}) != len(outputs):
        raise WiringError(f"two of {', '.join(outputs)} have the same channel; give each its own.")
    return IioDriver(root, inputs, outputs)
