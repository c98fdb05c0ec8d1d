"""What people added to a record, as the page shows it: remarks, photos, who stands for it."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass

from bench.reports import words


@dataclass(frozen=True, slots=True)
class Remark:
    """A note; ``written`` is ISO 8601."""

    written: str
    author: str | None
    text: str

    @property
    def when(self) -> str:
        """The moment in words."""
        return words.when(self.written)


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture; ``media_type`` as a browser takes it."""

    name: str
    media_type: str
    data: bytes

    @property
    def url(self) -> str:
        """The picture itself as a URL, so that the page needs no other file."""
        return f"data:{self.media_type};base64,{base64.b64encode(self.data).decode()}"


@dataclass(frozen=True, slots=True)
class Signed:
    """Who stands for a record, as what, and for which state of it; ``written`` is ISO 8601."""

    written: str
    name: str
    role: str
    statement: str
    seal: str

    @property
    def when(self) -> str:
        """The moment in words."""
        return words.when(self.written)


@dataclass(frozen=True, slots=True)
class Added:
    """All that was added."""

    remarks: Sequence[Remark] = ()
    photos: Sequence[Photo] = ()
    signed: Sequence[Signed] = ()
