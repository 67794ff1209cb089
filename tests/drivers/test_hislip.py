"""The same analyzer and generator over HiSLIP, by a server written from the protocol's own tables (IVI-6.1, 2011)."""

from __future__ import annotations

import contextlib
import socket
import socketserver
import struct
import threading
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from drivers.registry import open_instrument
from drivers.simulators.scpi import SimulatedAnalyzer, SimulatedGenerator
from drivers.simulators.scpi_device import ScpiDevice

# IVI-6.1, table 4: the numbers of the messages used here.
INITIALIZE, INITIALIZED, DATA, DATA_END = 0, 1, 6, 7
MAX_SIZE, MAX_SIZE_IS, ASYNC_INITIALIZE, ASYNC_INITIALIZED = 15, 16, 17, 18
CLEAR, STATUS, STATUS_IS, CLEARED = 19, 21, 22, 23
HEADER = "!2sBBIQ"


class Talk(socketserver.BaseRequestHandler):
    """One of the two channels of a client."""

    def handle(self) -> None:
        with contextlib.suppress(ConnectionError):
            said = b""
            while True:
                prologue, kind, _, parameter, length = struct.unpack(HEADER, self.take(16))
                assert prologue == b"HS"
                payload = self.take(length)
                if kind == INITIALIZE:
                    self.send(INITIALIZED, 0, (0x0100 << 16) | 1)
                elif kind == ASYNC_INITIALIZE:
                    self.send(ASYNC_INITIALIZED, 0, 0)
                elif kind == MAX_SIZE:
                    self.send(MAX_SIZE_IS, 0, 0, struct.pack("!Q", 1 << 20))
                elif kind == STATUS:
                    self.send(STATUS_IS, 0, 0)
                elif kind == CLEAR:
                    self.send(CLEARED, 0, 0)
                elif kind in (DATA, DATA_END):
                    said += payload
                    if kind == DATA_END:
                        self.answer(said, parameter)
                        said = b""

    def answer(self, said: bytes, message: int) -> None:
        server: Any = self.server
        with server.lock:
            replies = server.device.do(said.decode("ascii").rstrip("\n"))
        if not replies:
            return
        whole = b";".join(reply for _, reply in replies) + b"\n"
        # In two pieces, as instruments with small buffers do.
        half = len(whole) // 2
        self.send(DATA, 0, message, whole[:half])
        self.send(DATA_END, 0, message, whole[half:])

    def take(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = self.request.recv(count - len(data))
            if not more:
                raise ConnectionError
            data += more
        return data

    def send(self, kind: int, control: int, parameter: int, payload: bytes = b"") -> None:
        self.request.sendall(struct.pack(HEADER, b"HS", kind, control, parameter, len(payload)) + payload)


@contextlib.contextmanager
def served(device: ScpiDevice) -> Iterator[str]:
    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True

        def process_request(self, request: Any, client_address: Any) -> None:
            request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            clients.append(request)
            super().process_request(request, client_address)

    clients: list[Any] = []
    with Server(("127.0.0.1", 0), Talk) as server:
        server.device, server.lock = device, threading.Lock()  # type: ignore[attr-defined]
        thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        try:
            yield f"TCPIP::127.0.0.1::hislip0,{server.server_address[1]}::INSTR"
        finally:
            for client in clients:
                with contextlib.suppress(OSError):
                    client.shutdown(socket.SHUT_RDWR)
            server.shutdown()
            thread.join()


@pytest.mark.parametrize("form", ["ascii", "real"])
def test_an_analyzer_over_hislip_sweeps(form: str, tank: Any) -> None:
    with served(SimulatedAnalyzer(tank, speed=1000.0)) as address:
        config = {"driver": "scpi-analyzer", "address": address, "format": form, "timeout_s": 3.0}
        analyzer = open_instrument("analyzer", config)
        for _ in range(2):
            sweep = analyzer.sweep(3e6, 4e6, 101)
            np.testing.assert_allclose(sweep.f_hz, np.linspace(3e6, 4e6, 101))
            np.testing.assert_allclose(sweep.s11, tank.reflection(sweep.f_hz), atol=2e-9)
        analyzer.close()


def test_a_generator_over_hislip_is_set_and_switched_off(output_world: Any) -> None:
    with served(SimulatedGenerator(output_world)) as address:
        generator = open_instrument("generator", {"driver": "scpi-generator", "address": address})
        generator.set(3.5e6, -20.0)
        generator.output(True)
        assert output_world.history[-1] == (3.5e6, -20.0, True)
        generator.close()
        assert not output_world.on
