"""What can go wrong, as a small tree: catch `RillcastError` for everything, or a leaf for one thing.

RillcastError
├── ApiError                     the service could not be asked, or said no
│   ├── ApiConnectionError       no answer
│   │   └── ApiTimeoutError      no answer in time
│   ├── ApiStatusError           an answer that says no; carries the problem
│   │   └── … one class a status, and one for each problem that a program acts on
│   └── UnexpectedAnswerError    an answer that is not what the contract says
├── QuoteFailedError             the calculation ended with a problem
├── QuoteCancelledError          somebody cancelled it
├── QuoteTimeoutError            it is still running; the quote can be waited for again
└── EmbeddedServiceError         a service of one's own could not be started
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rillcast._decode import DecodeError, decode
from rillcast.models import Problem

if TYPE_CHECKING:
    import requests

    from rillcast.models import Quote


class RillcastError(Exception):
    """Base of every error that this package raises on purpose."""


class ApiError(RillcastError):
    """The service could not be asked, or said no."""


class ApiConnectionError(ApiError):
    """The service gave no answer: not running, wrong address, connection lost."""


class ApiTimeoutError(ApiConnectionError):
    """The service gave no answer within the timeout."""


class UnexpectedAnswerError(ApiError):
    """The answer is not what the contract says; often something else answers at that address."""


class ApiStatusError(ApiError):
    """The service answered with a status of 400 or more.

    Args:
        status: HTTP status.
        problem: the problem document, or one made up from the status when the answer had none.
        request_id: of the failed request, for the operator of the service.
        retry_after: seconds after which the service would like to be asked again; None if unsaid.
    """

    def __init__(
        self,
        status: int,
        problem: Problem,
        *,
        request_id: str | None = None,
        retry_after: float | None = None,
    ) -> None:
        self.status = status
        self.problem = problem
        self.request_id = request_id
        self.retry_after = retry_after
        super().__init__(problem.text + (f" [request {request_id}]" if request_id else ""))


class BadRequestError(ApiStatusError):
    """400: the request is malformed."""


class AuthenticationError(ApiStatusError):
    """401 or 403: no key, a wrong key, or a key that may not do this."""


class NotFoundError(ApiStatusError):
    """404: no such thing, or it belongs to another key."""


class ConflictError(ApiStatusError):
    """409: the thing is in a state that does not allow this."""


class TooLargeError(ApiStatusError):
    """413: the file is over the service's size limit."""


class UnsupportedMediaTypeError(ApiStatusError):
    """415: no reader for this kind of file."""


class InvalidInputError(ApiStatusError):
    """422: well-formed, but it cannot be used; `problem.errors` says what, where and how to mend it."""


class LayoutUnreadableError(InvalidInputError):
    """The file is damaged or is not what it claims to be."""


class LayoutInvalidError(InvalidInputError):
    """The file holds no usable chip layout."""


class LayoutUnitsMissingError(InvalidInputError):
    """The drawing states no real unit; upload it again with `unit=`."""


class LayoutTooComplexError(InvalidInputError):
    """The layout passes a published limit of size, count or extent."""


class RateLimitedError(ApiStatusError):
    """429: too many requests, and still so after the retries."""


class ServerError(ApiStatusError):
    """5xx: the service failed, and still did after the retries."""


class QuoteFailedError(RillcastError):
    """The calculation ended without a result; `problem` says why."""

    def __init__(self, quote: Quote, problem: Problem) -> None:
        self.quote = quote
        self.problem = problem
        super().__init__(problem.text)


class QuoteCancelledError(RillcastError):
    """The quote was cancelled before it was done."""

    def __init__(self, quote: Quote) -> None:
        self.quote = quote
        super().__init__(f"quote {quote.quote_id} was cancelled")


class QuoteTimeoutError(RillcastError):
    """The quote was not done in the time given; it goes on, and can be waited for again."""

    def __init__(self, quote: Quote, timeout_s: float) -> None:
        self.quote = quote
        super().__init__(f"quote {quote.quote_id} is still {quote.state} after {timeout_s:g} s")


class EmbeddedServiceError(RillcastError):
    """A service of one's own could not be started."""


_BY_STATUS: dict[int, type[ApiStatusError]] = {
    400: BadRequestError,
    401: AuthenticationError,
    403: AuthenticationError,
    404: NotFoundError,
    409: ConflictError,
    413: TooLargeError,
    415: UnsupportedMediaTypeError,
    422: InvalidInputError,
    429: RateLimitedError,
}

_BY_PROBLEM: dict[str, type[ApiStatusError]] = {
    "layout-unreadable": LayoutUnreadableError,
    "layout-invalid": LayoutInvalidError,
    "layout-units-missing": LayoutUnitsMissingError,
    "layout-too-complex": LayoutTooComplexError,
}


def status_error(response: requests.Response, *, retry_after: float | None) -> ApiStatusError:
    """The exception for an answer that says no.

    Args:
        response: an answer with a status of 400 or more, whatever its body.
        retry_after: its Retry-After in seconds, if any.

    Returns:
        The subclass for its problem type, else for its status, else `ApiStatusError`.
    """
    problem = _problem_of(response)
    kind = _BY_PROBLEM.get(problem.slug) or _BY_STATUS.get(response.status_code)
    if kind is None:
        kind = ServerError if response.status_code >= 500 else ApiStatusError
    return kind(
        response.status_code,
        problem,
        request_id=response.headers.get("X-Request-Id"),
        retry_after=retry_after,
    )


def _problem_of(response: requests.Response) -> Problem:
    document: Any = None
    if "json" in response.headers.get("Content-Type", ""):
        try:
            document = response.json()
        except ValueError:
            document = None
    if isinstance(document, dict):
        try:
            return decode(Problem, {"status": response.status_code, **document})
        except DecodeError:
            pass
    reason = response.reason or "no reason given"
    return Problem(title=f"HTTP {response.status_code}: {reason}", status=response.status_code)
