"""Checks of facts that have an inner form: curves by temperature, hours, dates, time zones."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, time
from typing import Any
from zoneinfo import ZoneInfo

from rillcast_service.catalogue.values import is_number

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_ABSOLUTE_ZERO_C = -273.15

#: Tells what is wrong with a plain value, in words; None when it is right.
Form = Callable[[Any], str | None]


def _curve(what: str, *, above: float | None = None, least: float | None = None) -> Form:
    """A list of two points or more: {temperature_c, <what>}, each temperature once."""

    def check(value: Any) -> str | None:
        if not isinstance(value, list) or len(value) < 2:
            return "needs a list of two points or more"
        seen = set()
        for point in value:
            if not isinstance(point, Mapping):
                return f"needs points like {{temperature_c, {what}}}"
            temperature_c, number = point.get("temperature_c"), point.get(what)
            if not is_number(temperature_c) or not is_number(number):
                return f"needs a number temperature_c and a number {what} in every point"
            if temperature_c <= _ABSOLUTE_ZERO_C:
                return "has a temperature below absolute zero"
            if (above is not None and number <= above) or (least is not None and number < least):
                return f"has a {what} that is too small"
            if temperature_c in seen:
                return f"gives {temperature_c:g} °C twice"
            seen.add(temperature_c)
        return None

    return check


def _temperatures(value: Any) -> str | None:
    if not isinstance(value, list) or not all(is_number(item) for item in value):
        return "needs a list of temperatures in °C"
    return None


def _quantities(value: Any) -> str | None:
    if not isinstance(value, list) or not all(type(item) is int and item > 0 for item in value):
        return "needs a list of whole numbers of pieces, e.g. [1, 10, 100]"
    return None


def _timezone(value: Any) -> str | None:
    try:
        ZoneInfo(value)
    except (LookupError, ValueError, TypeError, OSError):
        return "needs the IANA name of a time zone, e.g. Europe/Berlin"
    return None


def _date(value: Any) -> str | None:
    try:
        date.fromisoformat(value)
    except (ValueError, TypeError):
        return f"needs dates as in ISO 8601, e.g. 2026-12-24, not {value!r}"
    return None


def _dates(value: Any) -> str | None:
    if not isinstance(value, list):
        return "needs a list of dates"
    return next((problem for problem in map(_date, value) if problem), None)


def _hours(value: Any) -> str | None:
    if not isinstance(value, Mapping) or not value:
        return "needs at least one weekday with its [from, to]"
    for day, spans in value.items():
        if day not in WEEKDAYS:
            return f"has a day {day!r}; the days are {', '.join(WEEKDAYS)}"
        if not isinstance(spans, list) or not spans:
            return f'needs {day} as ["09:00", "17:00"]'
        for span in [spans] if isinstance(spans[0], str) else spans:
            problem = _span(day, span)
            if problem:
                return problem
    return None


def _span(day: str, span: Any) -> str | None:
    try:
        start, end = (time.fromisoformat(written) for written in span)
    except (ValueError, TypeError):
        return f'needs {day} as ["09:00", "17:00"]'
    if start.tzinfo or end.tzinfo:
        return f"needs local times on {day}; the zone is the calendar's"
    if not start < end:
        return f"ends before it begins on {day}"
    return None


FORMS: Mapping[str, Form] = {
    "cure_points": _curve("time_h", above=0.0),
    "shrinkage_points": _curve("percent", least=0.0),
    "viscosity_points": _curve("viscosity_mpa_s", above=0.0),
    "temperatures": _temperatures,
    "quantities": _quantities,
    "timezone": _timezone,
    "date": _date,
    "dates": _dates,
    "hours": _hours,
}
