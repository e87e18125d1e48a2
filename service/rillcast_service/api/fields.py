"""Strict fields: a number is a number and not text that looks like one, and every field says what it takes.

`accepts` goes into the remedy of a refusal; see `faults.py`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from marshmallow import ValidationError, fields, validate

NAME_PATTERN = r"^[a-z0-9][a-z0-9_]*$"
LONGEST_NAME = 64
NAME_ACCEPTS = "a name of the catalogue: lower-case letters, digits and _"
ID_PATTERN = r"^[A-Za-z0-9_-]+$"

#: RFC 3339, with `T` and an offset.
_INSTANT = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,6})?([Zz]|[+-]\d\d:\d\d)")
#: Plans are laid out in these years; beyond them a calendar has no holidays and dates may overflow.
_YEARS = range(2000, 2200)


def _saying(accepts: str, more: Mapping[str, Any] | None = None) -> dict[str, Any]:
    return {"accepts": accepts, **(more or {})}


class Number(fields.Float):
    """A finite JSON number within limits, in the unit that the field's name ends in."""

    default_error_messages = {"invalid": "This is not a number."}  # noqa: RUF012

    def __init__(
        self,
        accepts: str,
        *,
        minimum: float,
        maximum: float,
        **options: Any,
    ) -> None:
        limits = validate.Range(min=minimum, max=maximum, error=f"This is not {accepts}.")
        super().__init__(validate=limits, metadata=_saying(accepts), **options)

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.make_error("invalid", input=value)
        number: float = super()._deserialize(value, attr, data, **kwargs)
        return number


class Whole(fields.Integer):
    """A whole JSON number within limits; 24.0 is whole, as JSON Schema has it."""

    default_error_messages = {"invalid": "This is not a whole number."}  # noqa: RUF012

    def __init__(self, accepts: str, *, minimum: int, maximum: int, **options: Any) -> None:
        super().__init__(
            strict=True,
            validate=validate.Range(min=minimum, max=maximum, error=f"This is not {accepts}."),
            metadata=_saying(accepts),
            **options,
        )

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> int:
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.make_error("invalid", input=value)
        number: int = super()._deserialize(value, attr, data, **kwargs)
        return number


class Switch(fields.Boolean):
    """`true` or `false`, nothing that resembles them."""

    default_error_messages = {"invalid": "This is neither true nor false."}  # noqa: RUF012

    def __init__(self, **options: Any) -> None:
        super().__init__(metadata=_saying("true or false"), **options)

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> bool:  # noqa: ARG002
        if not isinstance(value, bool):
            raise self.make_error("invalid", input=value)
        return value


class Text(fields.String):
    """Text of limited length, with a pattern or a set of words if given."""

    default_error_messages = {"invalid": "This is not text."}  # noqa: RUF012

    def __init__(
        self,
        accepts: str,
        *,
        shortest: int | None = None,
        longest: int | None = None,
        pattern: str | None = None,
        words: tuple[str, ...] = (),
        **options: Any,
    ) -> None:
        rules: list[validate.Validator] = []
        if shortest is not None or longest is not None:
            characters = f"{shortest or 0} to {longest}" if longest else f"{shortest} or more"
            length = validate.Length(
                min=shortest, max=longest, error=f"This has not {characters} characters."
            )
            rules.append(length)
        if pattern is not None:
            # \Z and not $: a line break at the end is no part of a name.
            rules.append(_Pattern(pattern, error="This has not the right form."))
        if words:
            rules.append(validate.OneOf(words, error="This is none of the words that can stand here."))
        super().__init__(validate=rules, metadata=_saying(accepts), **options)


class _Pattern(validate.Regexp):
    """A pattern that must match the whole text; the contract's `^…$`, which JSON Schema does not end at."""

    def __call__(self, value: Any) -> Any:
        if not self.regex.fullmatch(value):
            raise ValidationError(self._format_error(value))
        return value


class Instant(fields.String):
    """A moment with its offset (RFC 3339), kept as text."""

    default_error_messages = {  # noqa: RUF012
        "invalid": "This is not a moment with an offset.",
        "range": "This lies outside the years that can be planned.",
    }

    def __init__(self, **options: Any) -> None:
        accepts = "date, time and offset, such as 2027-03-01T09:00:00+01:00, in the years 2000 to 2199"
        super().__init__(metadata=_saying(accepts, {"format": "date-time"}), **options)

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> str:  # noqa: ARG002
        if not isinstance(value, str) or not _INSTANT.fullmatch(value):
            raise self.make_error("invalid", input=value)
        try:
            moment = datetime.fromisoformat(value.upper())
        except ValueError:
            raise self.make_error("invalid", input=value) from None
        if moment.year not in _YEARS:
            raise self.make_error("range", input=value)
        return moment.isoformat()


class Members(fields.Dict):
    """An object with members of one kind, at most so many."""

    default_error_messages = {  # noqa: RUF012
        "invalid": "This is not an object.",
        "many": "This has more members than can be.",
    }

    def __init__(self, accepts: str, *, most: int, **options: Any) -> None:
        super().__init__(metadata=_saying(accepts, {"maxProperties": most}), **options)
        self.most = most

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> dict[Any, Any]:
        if isinstance(value, Mapping) and len(value) > self.most:
            raise self.make_error("many", input=value)
        members: dict[Any, Any] = super()._deserialize(value, attr, data, **kwargs)  # type: ignore[no-untyped-call]
        return members


def name(accepts: str = NAME_ACCEPTS, **options: Any) -> Text:
    """A name of the catalogue."""
    return Text(accepts, longest=LONGEST_NAME, pattern=NAME_PATTERN, **options)


def percent(accepts: str, *, digits: int, **options: Any) -> Text:
    """A percentage as a decimal string with so many digits before the point."""
    return Text(accepts, pattern=rf"^[0-9]{{1,{digits}}}(\.[0-9]{{1,4}})?$", **options)
