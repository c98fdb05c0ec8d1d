"""Programs and libraries that others wrote can use the board."""

import asyncio
import re
import subprocess
from collections.abc import AsyncIterator

import pytest
import pyvisa

from firmware_sim.firmware import Board
from firmware_sim.servers import PTY, Endpoints, ServeOptions, serve
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant


@pytest.fixture
async def endpoints() -> AsyncIterator[Endpoints]:
    board = Board(FakePlant(ohm={1: 3.2}), ExactSensors())
    ready: asyncio.Future[Endpoints] = asyncio.get_running_loop().create_future()
    async with asyncio.TaskGroup() as tasks:
        options = ServeOptions(tcp=0, modbus_tcp=0, serial=PTY, modbus_rtu=PTY)
        serving = tasks.create_task(serve(board, options, ready.set_result))
        yield await ready
        serving.cancel()


async def mbpoll(*arguments: str) -> dict[int, int]:
    """Registers that mbpoll prints, by address."""
    process = await asyncio.create_subprocess_exec(
        "mbpoll", "-0", "-a", "1", "-t", "3", "-1", *arguments, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    output, _ = await process.communicate()
    assert process.returncode == 0, output.decode()
    found = re.findall(r"^\[(\d+)\]:\s+(\d+)", output.decode(), re.MULTILINE)
    return {int(address): int(value) for address, value in found}


def check_snapshot(registers: dict[int, int]) -> None:
    assert registers[100] >> 8 == 2, "the snapshot's tag"
    assert registers[107] == 64, "RESTARTED is latched"
    assert (registers[115], registers[118], registers[119]) == (12_800, 200, 250)


async def test_mbpoll_reads_a_snapshot_over_tcp(endpoints):
    host, port = endpoints.modbus_tcp

    check_snapshot(await mbpoll("-m", "tcp", "-p", str(port), "-r", "100", "-c", "78", host))


async def test_mbpoll_reads_a_snapshot_over_rtu(endpoints):
    check_snapshot(
        await mbpoll("-m", "rtu", "-b", "115200", "-P", "none", "-r", "100", "-c", "78", endpoints.modbus_rtu)
    )


def talk_visa(resource: str) -> list[str]:
    manager = pyvisa.ResourceManager("@py")
    try:
        with manager.open_resource(resource, read_termination="\n", write_termination="\n", timeout=3000) as instrument:
            instrument.write("NONSENSE")
            questions = ["*IDN?", "SYST:ERR?", "SYST:ERR?", "MEAS:VOLT:SUPP?", "MEASure:SCALar:VOLTage:DC? (@1:3)"]
            return [instrument.query(question) for question in questions]
    finally:
        manager.close()


@pytest.mark.parametrize("kind", ["socket", "serial"])
async def test_pyvisa_identifies_finds_an_error_and_measures(endpoints, kind):
    host, port = endpoints.tcp
    resource = f"TCPIP0::{host}::{port}::SOCKET" if kind == "socket" else f"ASRL{endpoints.serial}::INSTR"

    assert await asyncio.to_thread(talk_visa, resource) == [
        "UMBILICAL,SIMULATED,SIM-0001,umbilical-sim 1",
        '-113,"Undefined header"',
        '0,"No error"',
        "12.800",
        "0.000,0.000,0.000",
    ]
