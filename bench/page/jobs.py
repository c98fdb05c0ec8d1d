"""From what a page asks for to a run that a bay makes."""

import asyncio
from functools import partial
from pathlib import Path

from bench import keeping
from bench.app import Session
from bench.errors import InputError
from bench.page.bay import Bay, Job
from bench.page.doing import Doing
from bench.page.forms import Brakes, Inspect, Power, Retest, Start, Walk, Wiggle
from bench.page.visit import Visit, finding_key
from bench.results import Run
from bench.sequences import STEPS, Typed, choose
from bench.sequences.attended import Labels
from bench.sequences.skipping import Skip

Wanted = Inspect | Walk | Power | Wiggle | Brakes | Retest


def job_of(start: Start, bay: Bay, record: str | Path | None) -> Job:
    """The run that is asked for, on the trailer in the bay.

    Raises:
        InputError: no trailer was checked in, a name is unknown, or there is nothing to test again.
        RecordError: the record that is to be tested again can't be read.
    """
    visit = bay.visit
    if visit is None:
        raise InputError("check a trailer in first")
    match start.run:
        case Inspect() as wanted:
            return _inspect(wanted, visit)
        case Walk() as wanted:
            _check(wanted.only, visit)
            return _walk(wanted, visit)
        case Power() as wanted:
            _check(wanted.only, visit)
            return _power(wanted, visit)
        case Wiggle() as wanted:
            _check(wanted.only, visit)
            return _wiggle(wanted, visit)
        case Brakes():
            return _brakes(visit)
        case Retest() as wanted:
            return _retest(wanted, bay, visit, record)


def labels_of(visit: Visit) -> Labels:
    """What the record is found by."""
    return Labels(unit_number=visit.unit_number or None, vin=visit.vin or None, operator_name=visit.operator or None)


def _check(names: list[str] | None, visit: Visit) -> None:
    every = [circuit.name for circuit in visit.profile.circuits]
    for name in names or ():
        if name not in every:
            raise InputError(f"there is no circuit {name!r}: the circuits are {', '.join(every)}")


def _inspect(wanted: Inspect, visit: Visit) -> Job:
    air = [step.name for step in STEPS if step.air and step.belongs(visit.profile)]
    only = wanted.only or (air if wanted.part == "air" else None)
    leave_out = air if only is None else ()
    choose(only, leave_out)
    skip = Skip()

    async def work(session: Session) -> Run:
        return await session.inspect(visit.profile, only=only, skip=leave_out, skipping=skip, **labels_of(visit))

    return Job(Doing("inspect"), work, skip=skip)


def _walk(wanted: Walk, visit: Visit) -> Job:
    async def work(session: Session) -> Run:
        return await session.walk(
            visit.profile,
            only=wanted.only,
            seconds=wanted.seconds,
            rounds=wanted.rounds or None,
            **labels_of(visit),
        )

    return Job(Doing("walk", wanted.seconds), work)


def _power(wanted: Power, visit: Visit) -> Job:
    typed = Typed()

    async def work(session: Session) -> Run:
        return await session.power(
            visit.profile,
            only=wanted.only,
            seconds=wanted.seconds,
            flash_per_min=wanted.flash_per_min,
            typed=typed,
            **labels_of(visit),
        )

    return Job(Doing("power", wanted.seconds, tuple(wanted.only)), work, typed=typed)


def _wiggle(wanted: Wiggle, visit: Visit) -> Job:
    typed = Typed()

    async def work(session: Session) -> Run:
        return await session.wiggle(
            visit.profile,
            only=wanted.only,
            seconds=wanted.seconds,
            lit=wanted.lit,
            typed=typed,
            **labels_of(visit),
        )

    return Job(Doing("wiggle", wanted.seconds), work, typed=typed)


def _brakes(visit: Visit) -> Job:
    typed = Typed()

    async def work(session: Session) -> Run:
        return await session.hold_brakes(visit.profile, typed=typed, **labels_of(visit))

    return Job(Doing("brakes"), work, typed=typed)


def _retest(wanted: Retest, bay: Bay, visit: Visit, record: str | Path | None) -> Job:
    inspections = [run.id for run in visit.runs if run.command == "inspect" and wanted.record in ("", run.id)]
    if not inspections:
        raise InputError("nothing was inspected yet")
    before = keeping.to_retest(inspections[-1], record)
    if not before.left:
        raise InputError("nothing is left to test again")
    skip = Skip()

    async def work(session: Session) -> Run:
        return await session.retest(
            before.run, before.profile, closed=before.closed, skipping=skip, operator_name=visit.operator or None
        )

    async def after(run: Run) -> None:
        found = await asyncio.to_thread(partial(keeping.follow_up, before, run, record))
        closed = {each.finding for each in found if each.followup.state == "closed" and each.finding is not None}
        numbers = [number for number, each in enumerate(before.case.runs[0].findings, 1) if each in closed]
        visit.closed |= {finding_key(before.run.id, number) for number in numbers}
        bay.visit_changed()

    return Job(Doing("retest"), work, after=after, skip=skip)
