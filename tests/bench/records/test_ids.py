from datetime import UTC, datetime, timedelta, timezone

from hypothesis import given
from hypothesis import strategies as st

from bench.records import new_record_id
from bench.records.ids import spellings

moments = st.datetimes(datetime(2000, 1, 1), datetime(2099, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - hypothesis adds the zone


def test_an_id_is_date_time_and_four_characters():
    assert new_record_id(datetime(2026, 1, 12, 14, 30, 15, tzinfo=UTC), lambda _: 0) == "20260112-143015-0000"


def test_local_time_is_brought_to_utc_so_that_ids_sort():
    winter = timezone(timedelta(hours=-5))

    assert new_record_id(datetime(2026, 1, 12, 9, 30, 15, tzinfo=winter)).startswith("20260112-143015-")


@given(one=moments, other=moments)
def test_ids_sort_by_time(one: datetime, other: datetime):
    one, other = (moment.replace(microsecond=0) for moment in (one, other))

    if one != other:
        assert (new_record_id(one) < new_record_id(other)) == (one < other)


@given(moment=moments)
def test_an_id_is_its_own_spelling_and_has_no_character_that_is_misread(moment: datetime):
    record_id = new_record_id(moment)

    assert spellings(record_id.upper()) == (record_id,)
    assert not set(record_id) & set("ilou")


def test_every_suffix_can_be_drawn():
    drawn = {
        new_record_id(datetime(2026, 1, 1, tzinfo=UTC), lambda _, number=number: number)
        for number in range(0, 32**4, 31)
    }

    assert len(drawn) == len(range(0, 32**4, 31))
