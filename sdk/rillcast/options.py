"""What may be asked of a quote, as types for the editor and the type checker.

Every member is optional: the service fills in its default and names it, with its source, under the
`assumptions` of the result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Literal, TypedDict

Percent = Decimal | int | str


class ChipOptions(TypedDict, total=False):
    """The body around the channels."""

    thickness_mm: float
    lid: str
    viewed_from: str


class PortOptions(TypedDict, total=False):
    """A port to add, or to say more about; at most one of flow, pressure and closed."""

    name: str
    x_mm: float
    y_mm: float
    role: Literal["inlet", "outlet", "vent"]
    bore_mm: float
    flow_ul_per_min: float
    pressure_kpa: float
    closed: bool


class UseOptions(TypedDict, total=False):
    """How the chip will be used."""

    liquid: str
    temperature_c: float
    flow_ul_per_min: float
    optics: Sequence[str]
    max_pressure_kpa: float


class VariantOptions(TypedDict, total=False):
    """A build variant to look at."""

    orientation_deg: float
    cure: str


class CommercialOptions(TypedDict, total=False):
    """Terms of the price, in percent."""

    margin_percent: Percent
    discount_percent: Percent
    tax_percent: Percent


class QuoteOptions(TypedDict, total=False):
    """Members of a quote request besides the layout and the quantity.

    `depths_um`: channel layer → depth, or `channels` for all. `bench`: `printer`, `resin`,
    `silicone`, … → name in the catalogue, None for "the bench has none". `aim`: what the plan
    minimises. Times need a time zone.
    """

    routes: Sequence[str]
    depths_um: Mapping[str, float]
    chip: ChipOptions
    ports: Sequence[PortOptions]
    use: UseOptions
    bench: Mapping[str, str | None]
    variants: Sequence[VariantOptions]
    aim: Literal["price", "date", "hands_on"]
    deadline: datetime | str
    first_article: bool
    commercial: CommercialOptions
    start: datetime | str
    currency: str
    seed: int


def as_request(quantity: int, options: QuoteOptions) -> dict[str, Any]:
    """The members of a request as JSON values.

    Args:
        quantity: good pieces wanted.
        options: the other members; None is left out.

    Raises:
        TypeError: a member that a request does not have.
        ValueError: a time without a time zone.
    """
    unknown = options.keys() - QuoteOptions.__annotations__.keys()
    if unknown:
        raise TypeError(f"a quote request has no {', '.join(sorted(unknown))}")
    asked = {key: _plain(value) for key, value in options.items() if value is not None}
    return {"quantity": quantity, **asked}


def _plain(value: Any) -> Any:
    match value:
        case datetime():
            if value.tzinfo is None:
                raise ValueError(f"{value.isoformat()} needs a time zone")
            return value.isoformat()
        case Mapping():
            # Percentages travel as decimal strings, so that 0.1 stays 0.1.
            return {
                str(key): str(item) if key.endswith("_percent") else _plain(item)
                for key, item in value.items()
            }
        case str() | bool() | int() | float() | None:
            return value
        case Decimal():
            return str(value)
        case Sequence():
            return [_plain(item) for item in value]
        case _:
            raise TypeError(f"{type(value).__name__} cannot be part of a quote request")
