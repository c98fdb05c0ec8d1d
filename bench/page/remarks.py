"""What people add to a visit, kept with the record that it belongs to."""

from dataclasses import dataclass

from bench.errors import InputError
from bench.page.bay import Bay
from bench.page.house import House
from bench.page.visit import Remark, Visit
from bench.records import Store

MOST = 400
PHOTO_PREFIX = "photo-"


@dataclass(frozen=True, slots=True)
class Said:
    """A remark that is new; ``photo`` names a picture that is in the record already."""

    about: str
    text: str
    author: str
    photo: str = ""


async def keep_remark(house: House, bay: Bay, visit: Visit, said: Said) -> None:
    """Into the visit, and into the record that it belongs to; what comes before any record waits for the first.

    Raises:
        InputError: there are too many.
        RecordError: the record can't be written; the remark stays in the visit.
    """
    if len(visit.remarks) >= MOST:
        raise InputError(f"{MOST} remarks are enough for one visit")
    written = house.now().isoformat(timespec="seconds")
    visit.remarks = [
        *visit.remarks, Remark(len(visit.remarks) + 1, said.about, said.text, said.author, written, said.photo)
    ]  # fmt: skip
    bay.visit_changed()
    run = visit.run_of(said.about)
    if run is None:
        return
    waiting = visit.remarks[visit.kept :]

    def add(store: Store) -> None:
        for remark in waiting:
            store.add_note(run.id, remark.text, remark.author)

    await house.ask_records(add)
    visit.kept = len(visit.remarks)
