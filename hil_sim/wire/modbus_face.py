"""The I/O module on Modbus TCP and, over a pseudo-terminal, on Modbus RTU: unit 1, addresses from 0.

MODBUS Application Protocol Specification V1.1b3; registers and bits as `io_module` lists them.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import threading
from pathlib import Path
from typing import Final

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from hil_sim.wire.io_module import LOOPS, IoModule
from hil_sim.wire.pty_line import Line

UNIT: Final = 1
_UP_S: Final = 10.0
_READ_COILS, _READ_DISCRETE, _READ_HOLDING, _READ_INPUT = 1, 2, 3, 4
_WRITE_COILS: Final = (5, 15)


class FaceError(OSError):
    """A device cannot be put on its wire; the message is one sentence."""


class ModbusFace:
    """Serves one module; both servers run in a thread of their own.

    Parameters
    ----------
    module
        What is served.
    host, port
        To listen at; port 0 takes a free one, see `port`.
    rtu
        Serve it on a pseudo-terminal, too, see `rtu_name`.
    rtu_link
        A name that stays for that, as in `Line`.

    Raises
    ------
    FaceError, LineError
        If nobody can be served there.
    """

    def __init__(
        self,
        module: IoModule,
        host: str = "127.0.0.1",
        port: int = 0,
        rtu: bool = False,
        rtu_link: Path | None = None,
    ) -> None:
        # Answers of exceptions are part of the game, and clients come and go.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        self.host, self.port, self.rtu_name = host, port, ""
        self._module = module
        self._near: Line | None = Line(rtu_link) if rtu else None
        self._inner: Line | None = Line() if rtu else None
        # Two pseudo-terminals end to end: pymodbus opens a device by its name, and the far end of one has none.
        if self._near is not None:
            self.rtu_name = self._near.name
        self._loop = asyncio.new_event_loop()
        self._up, self._end = threading.Event(), asyncio.Event()
        self._trouble = ""
        self._thread = threading.Thread(target=self._run, name="modbus", daemon=True)
        self._thread.start()
        if not self._up.wait(_UP_S):
            self._trouble = "it does not come up"
        if self._trouble:
            self.close()
            raise FaceError(f"Modbus TCP cannot listen at {host}:{port}: {self._trouble}; name another HOST:PORT.")

    def close(self) -> None:
        """Stop serving."""
        if self._thread.is_alive():
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._end.set)
            self._thread.join(5.0)
        for line in (self._near, self._inner):
            if line is not None:
                line.close()
        self._near = self._inner = None

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_until_complete(self._serve())
        except OSError as error:
            self._trouble = (error.strerror or str(error)).lower()
        except RuntimeError as error:
            self._trouble = str(error)
        finally:
            self._up.set()
            self._loop.close()

    async def _serve(self) -> None:
        tcp = ModbusTcpServer(self._device(), address=(self.host, self.port))
        if not await tcp.listen():
            raise RuntimeError("the address is taken or is none of this machine")
        # pymodbus tells nowhere else which free port it was given.
        self.port = tcp.transport.sockets[0].getsockname()[1]  # type: ignore[attr-defined]
        rtu = None
        if self._near is not None and self._inner is not None:
            rtu = ModbusSerialServer(self._device(), framer=FramerType.RTU, port=self._inner.name, baudrate=115_200)
            if not await rtu.listen():
                raise RuntimeError("its pseudo-terminal cannot be opened")
            for source, sink in ((self._near, self._inner), (self._inner, self._near)):
                self._loop.add_reader(source.far, _pass_on, source.far, sink)
        self._up.set()
        await self._end.wait()
        if self._near is not None and self._inner is not None:
            self._loop.remove_reader(self._near.far)
            self._loop.remove_reader(self._inner.far)
        if rtu is not None:
            await rtu.shutdown()  # type: ignore[no-untyped-call]
        await tcp.shutdown()  # type: ignore[no-untyped-call]
        await asyncio.sleep(0)

    def _device(self) -> SimDevice:
        return SimDevice(
            UNIT,
            simdata=(
                [SimData(0, values=[False] * 16, datatype=DataType.BITS)],
                [SimData(0, values=[False] * 16, datatype=DataType.BITS)],
                [SimData(0, values=0, datatype=DataType.REGISTERS)],
                [SimData(0, values=[0] * len(LOOPS), datatype=DataType.REGISTERS)],
            ),
            action=self._asked,
        )

    async def _asked(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Bring the registers up to date before they are read, and pass on what is written."""
        if values is not None:
            if function in _WRITE_COILS:
                good = self._module.write_coils(address, [bool(value) for value in values])
                return None if good else ExcCodes.ILLEGAL_ADDRESS
            return None if self._module.write_throttle(int(values[0])) else ExcCodes.ILLEGAL_VALUE
        if function == _READ_INPUT:
            registers[: len(LOOPS)] = self._module.loops_ua()
        elif function == _READ_DISCRETE:
            registers[0] = self._module.contacts()
        elif function == _READ_COILS:
            registers[0] = self._module.coils()
        elif function == _READ_HOLDING:
            registers[0] = self._module.throttle()
        return None


def _pass_on(source: int, sink: Line) -> None:
    with contextlib.suppress(OSError):
        sink.send(os.read(source, 4096))
