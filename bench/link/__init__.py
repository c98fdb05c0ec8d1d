"""Bytes to and from the board: line protocol, Modbus, in process."""

from bench.link.base import Link
from bench.link.board import Board
from bench.link.inprocess import InProcessLink
from bench.link.joined import JoinedBoard
from bench.link.ports import open_link
from bench.link.url import BoardUrl, parse_board_url

__all__ = ["Board", "BoardUrl", "InProcessLink", "JoinedBoard", "Link", "open_link", "parse_board_url"]
