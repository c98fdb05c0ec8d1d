"""Modbus through pymodbus's server: blocks, refusals, identification, and the wire's own vectors."""

import asyncio

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.framer.rtu import FramerRTU

from bench.contract.table import BOARD_SETTINGS, COMMAND, IDENTITY, SNAPSHOT, CommandCode
from firmware_sim.firmware import Board
from firmware_sim.servers.modbus_server import ModbusTcp
from firmware_sim.servers.registers import PacedBoard
from tests.firmware_sim.fake_plant import ExactSensors, FakePlant
from tests.firmware_sim.host import BOARD_12V

CLAIM = COMMAND.pack((1, 7, CommandCode.CLAIM, 0, 0, 0))
ARM = COMMAND.pack((2, 7, CommandCode.ARM, 0, 0, 0))


@pytest.fixture
async def plant():
    return FakePlant(ohm={1: 3.2})


@pytest.fixture
async def client(plant):
    board = PacedBoard(Board(plant, ExactSensors()))
    async with ModbusTcp(board, "127.0.0.1", 0) as (host, port):
        client = AsyncModbusTcpClient(host, port=port, timeout=0.5, retries=0)
        assert await client.connect()
        yield client
        client.close()


async def test_functions_3_and_4_read_every_block(client):
    holding = await client.read_holding_registers(IDENTITY.start(), count=IDENTITY.length())
    inputs = await client.read_input_registers(IDENTITY.start(), count=IDENTITY.length())

    assert holding.registers[1:] == inputs.registers[1:]
    assert (holding.registers[0], inputs.registers[0]) == (IDENTITY.tag(1), IDENTITY.tag(2))


async def test_exceptions_say_address_value_or_refusal(client):
    async def write(block, registers):
        return await client.write_registers(block.start() + 1, list(registers))

    assert (await client.read_input_registers(60, count=1)).exception_code == 2
    assert (await client.read_input_registers(30_000, count=1)).exception_code == 2
    assert (await client.write_register(COMMAND.start() + 1, 5)).exception_code == 2
    assert (await write(BOARD_SETTINGS, BOARD_SETTINGS.pack((1, 0, 12_000)))).exception_code == 3
    assert not (await write(BOARD_SETTINGS, BOARD_SETTINGS.pack(BOARD_12V))).isError()
    assert not (await write(COMMAND, CLAIM)).isError()
    assert (await write(COMMAND, ARM)).exception_code == 4


@pytest.mark.parametrize("function", ["read_coils", "read_discrete_inputs"])
async def test_bits_are_no_function_of_the_board(client, function):
    assert (await getattr(client, function)(0, count=8)).exception_code == 1


async def test_coils_cannot_switch_anything(client):
    assert (await client.write_coil(0, True)).exception_code == 1
    assert (await client.write_coils(0, [True] * 8)).exception_code == 1


async def test_mask_write_is_no_way_around_whole_blocks(client):
    assert (await client.mask_write_register(address=COMMAND.start() + 1, and_mask=0, or_mask=5)).exception_code == 1


async def test_write_and_read_in_one_request_gives_a_command_and_its_result(client):
    reply = await client.readwrite_registers(
        read_address=SNAPSHOT.start(), read_count=12, write_address=COMMAND.start() + 1, values=list(ARM)
    )
    assert reply.exception_code == 4

    reply = await client.readwrite_registers(
        read_address=SNAPSHOT.start(), read_count=12, write_address=COMMAND.start() + 1, values=list(CLAIM)
    )
    assert reply.registers[10:12] == [1, 0]


async def test_on_tcp_another_unit_gets_a_gateways_exception_and_nothing_is_carried_out(client):
    """Exception 11: the gateway's target device failed to respond (Modbus application protocol V1.1b3, 7)."""
    for unit in (0, 9, 247):
        read = await client.read_input_registers(SNAPSHOT.start(), count=12, device_id=unit)
        written = await client.write_registers(COMMAND.start() + 1, list(CLAIM), device_id=unit)
        assert (read.exception_code, written.exception_code) == (11, 11)

    reply = await client.read_input_registers(SNAPSHOT.start(), count=12)
    assert reply.registers[10:12] == [0, 0]


async def test_identification_names_vendor_product_and_version(client):
    reply = await client.read_device_information(read_code=2)

    assert reply.information[0] == b"Umbilical"
    assert reply.information[2] == b"umbilical-sim 1"


async def test_a_hung_board_is_silent_and_what_was_written_is_not_carried_out(client, plant):
    plant.set_conditions_at(0.0, hung=True)
    await asyncio.sleep(0.02)

    with pytest.raises(Exception, match="No response"):
        await client.write_registers(COMMAND.start() + 1, list(CLAIM))
    plant.set_conditions_at(0.0, hung=False)
    await asyncio.sleep(0.6)
    reply = await client.read_input_registers(SNAPSHOT.start(), count=12)
    assert reply.registers[10:12] == [0, 0]


@pytest.mark.parametrize(
    ("frame", "wire"),
    [
        (b"123456789", "37 4B"),  # catalogue check value 0x4B37, low byte first
        (bytes.fromhex("01 03 00 00 00 0A"), "C5 CD"),
        (bytes.fromhex("11 03 00 6B 00 03"), "76 87"),  # the read of the application protocol's example
        (bytes.fromhex("02 07"), "41 12"),
    ],
)
def test_crc_of_the_serial_line_specification(frame, wire):
    """MODBUS over Serial Line V1.02, 6.2.2 and appendix B: polynomial 0xA001, start 0xFFFF, low byte first."""
    assert FramerRTU.compute_CRC(frame).to_bytes(2, "big") == bytes.fromhex(wire)
