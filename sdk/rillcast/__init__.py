"""Quote microfluidic chips from Python: upload a layout, read verdict, findings, plan and price.

from rillcast import Client

with Client("http://127.0.0.1:8000") as client:
    quote = client.quote("chip.svg", quantity=24, depths_um={"channels": 150})
    print(quote.route("cast_printed_mould").cost.unit_price)
    quote.save("offer.html")
"""

import logging

from rillcast._version import __version__
from rillcast.client import Client
from rillcast.embedded import EmbeddedService
from rillcast.errors import (
    ApiConnectionError,
    ApiError,
    ApiStatusError,
    ApiTimeoutError,
    AuthenticationError,
    ConflictError,
    EmbeddedServiceError,
    InvalidInputError,
    LayoutInvalidError,
    LayoutTooComplexError,
    LayoutUnitsMissingError,
    LayoutUnreadableError,
    NotFoundError,
    QuoteCancelledError,
    QuoteFailedError,
    QuoteTimeoutError,
    RateLimitedError,
    RillcastError,
    ServerError,
    TooLargeError,
    UnexpectedAnswerError,
    UnsupportedMediaTypeError,
)
from rillcast.models import (
    Correction,
    LayerRole,
    Layout,
    Quote,
    RepairKind,
    RouteResult,
    Severity,
    State,
    Verdict,
)

__all__ = [
    "ApiConnectionError",
    "ApiError",
    "ApiStatusError",
    "ApiTimeoutError",
    "AuthenticationError",
    "Client",
    "ConflictError",
    "Correction",
    "EmbeddedService",
    "EmbeddedServiceError",
    "InvalidInputError",
    "LayerRole",
    "Layout",
    "LayoutInvalidError",
    "LayoutTooComplexError",
    "LayoutUnitsMissingError",
    "LayoutUnreadableError",
    "NotFoundError",
    "Quote",
    "QuoteCancelledError",
    "QuoteFailedError",
    "QuoteTimeoutError",
    "RateLimitedError",
    "RepairKind",
    "RillcastError",
    "RouteResult",
    "ServerError",
    "Severity",
    "State",
    "TooLargeError",
    "UnexpectedAnswerError",
    "UnsupportedMediaTypeError",
    "Verdict",
    "__version__",
]

logging.getLogger("rillcast").addHandler(logging.NullHandler())
