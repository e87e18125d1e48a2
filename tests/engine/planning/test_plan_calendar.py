"""The operator's calendar: hours in local time, instants in between, clocks that jump."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from rillcast_service.catalogue.types import Entry, Fact
from rillcast_service.engine.errors import RequestInvalid
from rillcast_service.engine.planning.calendar import Calendar, Hours

BERLIN = ZoneInfo("Europe/Berlin")
NINE_TO_FIVE = ((time(9), time(17)),)
WEEKDAYS = Calendar(BERLIN, dict.fromkeys(range(5), NINE_TO_FIVE))
EVERY_DAY = Calendar(BERLIN, dict.fromkeys(range(7), NINE_TO_FIVE))


def at(*when: int) -> datetime:
    return datetime(*when, tzinfo=BERLIN)


@pytest.mark.parametrize(
    ("day", "opens_utc"),
    [
        # Europe/Berlin goes to summer time on 28 March 2027 and back on 31 October 2027, both at 01:00 UTC
        (date(2027, 3, 27), datetime(2027, 3, 27, 8, tzinfo=UTC)),
        (date(2027, 3, 28), datetime(2027, 3, 28, 7, tzinfo=UTC)),
        (date(2027, 10, 30), datetime(2027, 10, 30, 7, tzinfo=UTC)),
        (date(2027, 10, 31), datetime(2027, 10, 31, 8, tzinfo=UTC)),
    ],
)
def test_nine_oclock_is_nine_oclock_on_both_sides_of_the_clock_change(day, opens_utc):
    ((opens, closes),) = EVERY_DAY.spans(day)
    assert opens == opens_utc
    assert closes - opens == timedelta(hours=8)


def test_a_night_shift_is_as_long_as_it_really_lasts():
    nights = Calendar(BERLIN, {6: ((time(0), time(6)),)})
    lengths = [
        closes - opens
        for day in ((2027, 3, 28), (2027, 10, 31))
        for opens, closes in nights.spans(date(*day))
    ]
    assert lengths == [timedelta(hours=5), timedelta(hours=7)]


@pytest.mark.parametrize(
    ("start", "minutes_to_next_opening"),
    [(at(2027, 3, 27, 9), 23 * 60), (at(2027, 10, 30, 9), 25 * 60), (at(2027, 6, 5, 9), 24 * 60)],
)
def test_a_day_with_a_clock_change_has_23_or_25_hours(start, minutes_to_next_opening):
    hours = Hours(EVERY_DAY, start)
    assert hours.opening_for(480, 60) == minutes_to_next_opening
    assert hours.at(minutes_to_next_opening).time() == time(9)


def test_work_waits_for_the_opening_that_takes_it_whole():
    hours = Hours(WEEKDAYS, at(2027, 3, 1, 9))
    assert hours.opening_for(0, 480) == 0
    assert hours.opening_for(1, 480) == 24 * 60
    assert hours.opening_for(470, 10) == 470
    assert hours.opening_for(471, 10) == 24 * 60
    # from Friday 17:00 to Monday 09:00
    assert hours.opening_for(4 * 1440 + 480, 1) == 7 * 1440


def test_a_start_within_the_day_and_between_minutes_opens_on_a_whole_minute_after_it():
    start = at(2027, 3, 1, 8, 59, 30)
    hours = Hours(WEEKDAYS, start)
    # 09:00:00 is half a minute on; the first whole minute that lies in the opening is 09:00:30
    assert hours.at(hours.opening_for(0, 60)) == start + timedelta(minutes=1)


def test_nobody_works_on_a_holiday():
    good_friday, easter_monday = date(2027, 3, 26), date(2027, 3, 29)
    calendar = Calendar(BERLIN, WEEKDAYS.hours, frozenset({good_friday, easter_monday}))
    hours = Hours(calendar, at(2027, 3, 25, 17))
    assert hours.at(hours.opening_for(0, 1)) == at(2027, 3, 30, 9)


@pytest.mark.parametrize(
    ("ordered", "lead_days", "in_hand"),
    [
        (at(2027, 3, 1, 9, 30), 1.0, at(2027, 3, 3)),
        (at(2027, 3, 1, 9, 30), 5.0, at(2027, 3, 9)),
        (at(2027, 3, 1, 9, 30), 4.5, at(2027, 3, 9)),
        (at(2027, 3, 5, 16, 0), 1.0, at(2027, 3, 9)),
        # over Easter: Thursday + 1 working day is Tuesday
        (at(2027, 3, 25, 10, 0), 1.0, at(2027, 3, 31)),
    ],
)
def test_an_order_is_in_hand_at_the_end_of_its_delivery_day(ordered, lead_days, in_hand):
    holidays = frozenset({date(2027, 3, 26), date(2027, 3, 29)})
    calendar = Calendar(BERLIN, WEEKDAYS.hours, holidays)
    assert calendar.delivered_at(ordered, lead_days) == in_hand
    hours = Hours(calendar, ordered)
    # and at the bench at the next opening
    assert hours.delivered_at(0, lead_days) == hours.opening((in_hand - ordered) // timedelta(minutes=1))[0]
    assert hours.at(hours.delivered_at(0, lead_days)).time() == time(9)


def test_a_supplier_does_not_wait_for_a_part_time_operator():
    tuesdays = Calendar(BERLIN, {1: NINE_TO_FIVE})
    assert tuesdays.delivered_at(at(2027, 3, 2, 9), 3.0) == at(2027, 3, 6)


def test_the_shipped_calendar_reads_as_written(catalogue):
    calendar = Calendar.from_entry(catalogue.get("calendars", "weekdays_9_to_17"))
    assert calendar.zone == BERLIN
    assert set(calendar.hours) == {0, 1, 2, 3, 4}
    assert calendar.hours[0] == NINE_TO_FIVE
    assert date(2027, 3, 26) in calendar.holidays
    assert calendar.longest_span_min() == 480.0


def test_several_spans_a_day_and_short_names_are_read():
    entry = Entry(
        kind="calendars",
        name="split",
        title="split",
        values={
            "timezone": Fact("Europe/Berlin", "bench"),
            "hours": Fact({"mon": [["13:00", "18:30"], ["08:00", "12:00"]]}, "bench"),
            "holidays": Fact([], "bench"),
        },
    )
    calendar = Calendar.from_entry(entry)
    assert calendar.hours == {0: ((time(8), time(12)), (time(13), time(18, 30)))}
    hours = Hours(calendar, at(2027, 3, 1, 8))
    assert hours.opening_for(200, 60) == 300
    assert calendar.longest_span_min() == 330.0


def test_a_day_that_is_none_is_refused():
    entry = Entry("calendars", "odd", "odd", {"hours": Fact({"caturday": ["09:00", "17:00"]}, "bench")})
    with pytest.raises(ValueError, match="caturday"):
        Calendar.from_entry(entry)


@pytest.mark.parametrize("length_min", [1, 481])
def test_a_calendar_without_room_is_told_with_a_remedy(length_min):
    calendar = WEEKDAYS if length_min > 480 else Calendar(BERLIN, {})
    with pytest.raises(RequestInvalid) as told:
        Hours(calendar, at(2027, 3, 1, 9)).opening_for(0, length_min)
    assert told.value.faults[0].pointer == "#/bench/calendar"
    assert "longer" in told.value.faults[0].remedy
