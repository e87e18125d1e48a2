"""The operator's hours: opening windows as instants, whatever the clocks do in between."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from rillcast_service.catalogue.types import Entry
from rillcast_service.engine.errors import Fault, RequestInvalid

_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_SATURDAY = 5

# A calendar without an opening for this long is taken to have none at all.
_MAX_CLOSED_DAYS = 366


@dataclass(frozen=True, slots=True)
class Calendar:
    """When the operator is there.

    Args:
        zone: time zone in which `hours` are meant.
        hours: weekday (0 is Monday) → opening spans in local time, in order, not overlapping.
        holidays: local days on which nobody works and nothing is delivered.
    """

    zone: ZoneInfo
    hours: Mapping[int, tuple[tuple[time, time], ...]]
    holidays: frozenset[date] = frozenset()

    @classmethod
    def from_entry(cls, entry: Entry) -> Calendar:
        """A calendar of the catalogue.

        Args:
            entry: with the facts `timezone`, `hours` (weekday name, short or long, → `[start, end]`
                or a list of such pairs, as `"09:00"`) and `holidays` (ISO dates).

        Returns:
            The calendar.

        Raises:
            ValueError: a weekday, a time or a date that is none.
        """
        hours: dict[int, tuple[tuple[time, time], ...]] = {}
        for name, spans in dict(entry.fact("hours", default={})).items():
            pairs = [spans] if spans and isinstance(spans[0], str) else spans
            parsed = tuple((time.fromisoformat(start), time.fromisoformat(end)) for start, end in pairs)
            hours[_weekday(str(name))] = tuple(sorted(parsed))
        holidays = frozenset(
            day if isinstance(day, date) else date.fromisoformat(day)
            for day in entry.fact("holidays", default=())
        )
        return cls(ZoneInfo(str(entry.fact("timezone", default="UTC"))), hours, holidays)

    def spans(self, day: date) -> list[tuple[datetime, datetime]]:
        """Opening spans of one local day, as UTC instants.

        Args:
            day: in the calendar's zone.

        Returns:
            (open, close) pairs. Where the clocks jump, a span is as long as it really lasts.
        """
        if day in self.holidays:
            return []
        spans = []
        for start, end in self.hours.get(day.weekday(), ()):
            opens, closes = self._instant(day, start), self._instant(day, end)
            if opens < closes:
                spans.append((opens, closes))
        return spans

    def longest_span_min(self) -> float:
        """The longest unbroken opening of the week, in minutes; 0 when it never opens."""
        minutes = [
            (end.hour - start.hour) * 60 + end.minute - start.minute
            for spans in self.hours.values()
            for start, end in spans
        ]
        return float(max(minutes, default=0))

    def delivered_at(self, ordered: datetime, lead_days: float) -> datetime:
        """When an order is in hand.

        Args:
            ordered: instant of the order.
            lead_days: the supplier's lead time in working days (Monday to Friday, holidays left
                out, whatever the operator's own days are); a part of a day counts as a day.

        Returns:
            The end of the delivery day in the calendar's zone, as a UTC instant.
        """
        day = ordered.astimezone(self.zone).date()
        remaining = lead_days
        while remaining > 0.0:
            day += timedelta(days=1)
            if day.weekday() < _SATURDAY and day not in self.holidays:
                remaining -= 1.0
        return self._instant(day + timedelta(days=1), time.min)

    def _instant(self, day: date, at: time) -> datetime:
        return datetime.combine(day, at, tzinfo=self.zone).astimezone(UTC)


class Hours:
    """The calendar laid out as minutes after a start, so that a schedule is whole-number arithmetic."""

    def __init__(self, calendar: Calendar, start: datetime) -> None:
        self.calendar = calendar
        self.start = start.astimezone(UTC)
        self._opens: list[int] = []
        self._closes: list[int] = []
        # the local day before, for a span that began yesterday in local time but counts today
        self._next_day = self.start.astimezone(calendar.zone).date() - timedelta(days=1)

    def opening_for(self, minute: int, length_min: int) -> int:
        """The first minute from which an unbroken stretch lies within one opening.

        Args:
            minute: earliest start, in minutes after the start.
            length_min: of the stretch.

        Returns:
            The start of the stretch, in minutes after the start.

        Raises:
            RequestInvalid: no opening is that long.
        """
        index = self._index(minute)
        first = index
        while True:
            begin = max(minute, self._opens[index])
            if begin + length_min <= self._closes[index]:
                return begin
            index += 1
            self._extend_to(index)
            if index - first > 2 * _MAX_CLOSED_DAYS:
                raise _closed(f"No opening of the calendar is {length_min} minutes long.")

    def opening(self, minute: int) -> tuple[int, int]:
        """The first minute from `minute` on at which someone is there, and when that opening closes."""
        index = self._index(minute)
        return max(minute, self._opens[index]), self._closes[index]

    def delivered_at(self, minute: int, lead_days: float) -> int:
        """When an order of that minute is in hand: at the first opening after its delivery day."""
        delivered = self.calendar.delivered_at(self.at(minute), lead_days)
        return self.opening(-((self.start - delivered) // timedelta(minutes=1)))[0]

    def at(self, minute: int) -> datetime:
        """The instant of a minute, in the calendar's zone."""
        return (self.start + timedelta(minutes=minute)).astimezone(self.calendar.zone)

    def _index(self, minute: int) -> int:
        """The opening that `minute` lies in, or the next one."""
        while not self._closes or self._closes[-1] <= minute:
            self._add_day()
        return bisect_right(self._closes, minute)

    def _extend_to(self, index: int) -> None:
        while len(self._opens) <= index:
            self._add_day()

    def _add_day(self) -> None:
        for _ in range(_MAX_CLOSED_DAYS):
            spans = self.calendar.spans(self._next_day)
            self._next_day += timedelta(days=1)
            for opens, closes in spans:
                begin = -((self.start - opens) // timedelta(minutes=1))
                end = (closes - self.start) // timedelta(minutes=1)
                if end > begin:
                    self._opens.append(begin)
                    self._closes.append(end)
            if spans:
                return
        raise _closed("The calendar never opens.")


def _closed(message: str) -> RequestInvalid:
    return RequestInvalid(
        Fault(message, "Give the calendar longer working hours.", pointer="#/bench/calendar")
    )


def _weekday(name: str) -> int:
    for index, weekday in enumerate(_WEEKDAYS):
        if len(name) >= 3 and weekday.startswith(name.lower()):
            return index
    raise ValueError(f"{name!r} is not a weekday; use {', '.join(_WEEKDAYS)}")
