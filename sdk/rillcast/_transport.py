"""One function that sends a request: key, timeouts, retries, and errors as exceptions."""

from __future__ import annotations

import logging
import platform
import random
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urlsplit

import requests

from rillcast._version import __version__
from rillcast.errors import (
    ApiConnectionError,
    ApiStatusError,
    ApiTimeoutError,
    UnexpectedAnswerError,
    status_error,
)

log = logging.getLogger("rillcast")

#: Answers after which the same request may well succeed a moment later.
RETRY_STATUSES = frozenset({429, 500, 502, 503, 504})
#: An earlier request with the same idempotency key is still being answered (status 409).
RETRY_PROBLEMS = frozenset({"idempotency-in-flight"})

FIRST_DELAY_S = 0.5
LONGEST_DELAY_S = 8.0
#: A service that asks for a longer pause than this is not waited for: the caller decides.
LONGEST_RETRY_AFTER_S = 120.0

USER_AGENT = f"rillcast/{__version__} python/{platform.python_version()}"


class _Credentials(requests.auth.AuthBase):
    """Sends the key, or nothing. Being set at all keeps requests from reading ~/.netrc instead."""

    def __init__(self, api_key: str | None) -> None:
        self._api_key = api_key

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        if self._api_key:
            request.headers["Authorization"] = f"Bearer {self._api_key}"
        return request


class Transport:
    """Sends requests to one service.

    Every request that the client makes may be repeated safely: reads, PUT and DELETE by nature, an
    upload because the service keeps layouts by content, a new quote because of its idempotency key,
    cancelling because a cancelled quote stays cancelled. So each is retried after a lost connection.

    Args:
        base_url: address of the service, with a path prefix if it lives under one.
        api_key: sent as a bearer token; None for a service without keys.
        timeout: seconds to connect, seconds to wait for data.
        max_retries: further attempts after the first.
        session: a session to use instead of an own one; it is not closed here.
        sleep, uniform: for tests.
    """

    def __init__(
        self,
        base_url: str,
        *,
        api_key: str | None,
        timeout: tuple[float, float],
        max_retries: int,
        session: requests.Session | None = None,
        sleep: Callable[[float], None] = time.sleep,
        uniform: Callable[[float, float], float] = random.uniform,
    ) -> None:
        parts = urlsplit(base_url)
        if parts.scheme not in ("http", "https") or not parts.netloc:
            raise ValueError(f"the address of a service looks like http://host:port, not {base_url!r}")
        self.base_url = base_url.rstrip("/")
        self._origin = (parts.scheme, parts.netloc)
        self._auth = _Credentials(api_key)
        self._timeout = timeout
        self._max_retries = max_retries
        self._owned = session is None
        self._session = session or requests.Session()
        self.sleep = sleep
        self._uniform = uniform

    def close(self) -> None:
        """Close the session, unless the caller gave it."""
        if self._owned:
            self._session.close()

    def request(
        self,
        method: str,
        link: str,
        *,
        params: Mapping[str, str] | None = None,
        json: Any = None,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> requests.Response:
        """Send one request, again where that may help, and return its answer.

        Args:
            method: HTTP method.
            link: path below the base URL, or a URL that the service gave.
            params: query.
            json: body as JSON values; body: as bytes. Both are in memory, so a retry sends them whole.
            headers: further ones, made by the caller once so that each attempt carries the same.

        Returns:
            An answer with a status below 400.

        Raises:
            ApiTimeoutError, ApiConnectionError: no answer, after every retry.
            ApiStatusError: an answer that says no, after retries where these may help.
            UnexpectedAnswerError: the link leads to another host, or the answer redirects.
        """
        url = self._url(link)
        for attempt in range(self._max_retries + 1):
            last = attempt == self._max_retries
            try:
                response = self._session.request(
                    method,
                    url,
                    params=params,
                    json=json,
                    data=body,
                    headers={"Accept": "application/json", "User-Agent": USER_AGENT, **(headers or {})},
                    auth=self._auth,
                    timeout=self._timeout,
                    allow_redirects=False,
                )
            except requests.RequestException as error:
                if last or not _may_pass(error):
                    raise self._connection_error(error) from error
                self._pause(attempt, None, f"{method} {link}: {type(error).__name__}")
                continue
            if response.status_code < 300 or response.status_code == 304:
                return response
            if response.status_code < 400:
                raise UnexpectedAnswerError(
                    f"{url} redirects to {response.headers.get('Location')!r}; give the final address"
                )
            if response.status_code == 404 and method == "DELETE" and attempt:
                return response  # an earlier attempt deleted it and its answer got lost
            refusal = status_error(response, retry_after=_retry_after(response))
            if last or not self._worth_retrying(refusal):
                raise refusal
            self._pause(attempt, refusal.retry_after, f"{method} {link}: status {refusal.status}")
        raise AssertionError("the loop above returns or raises")

    def _url(self, link: str) -> str:
        """The address of a link; the key must not travel to another host than the one it is for."""
        parts = urlsplit(link)
        if not parts.netloc:
            return self.base_url + link
        if (parts.scheme, parts.netloc) != self._origin:
            raise UnexpectedAnswerError(f"the service at {self.base_url} links to another host: {link}")
        return link

    def _worth_retrying(self, error: ApiStatusError) -> bool:
        if (error.retry_after or 0.0) > LONGEST_RETRY_AFTER_S:
            return False
        return error.status in RETRY_STATUSES or error.problem.slug in RETRY_PROBLEMS

    def _pause(self, attempt: int, retry_after: float | None, why: str) -> None:
        if retry_after is None:
            # Full jitter: many clients that failed together must not come back together.
            retry_after = self._uniform(0.0, min(LONGEST_DELAY_S, FIRST_DELAY_S * 2**attempt))
        log.info("%s; again in %.1f s", why, retry_after)
        self.sleep(retry_after)

    def _connection_error(self, error: requests.RequestException) -> ApiConnectionError:
        if isinstance(error, requests.Timeout):
            return ApiTimeoutError(f"no answer from {self.base_url} within {self._timeout} s")
        return ApiConnectionError(
            f"no answer from {self.base_url} ({_reason(error)}); is the service running there?"
        )


def _reason(error: BaseException) -> str:
    """The innermost cause of a fault of the connection: what the system or its resolver said."""
    found: list[BaseException] = []
    cause: BaseException | None = error
    while cause is not None and cause not in found:
        found.append(cause)
        cause = cause.__cause__ or cause.__context__
    said = (cause.strerror for cause in reversed(found) if isinstance(cause, OSError))
    return next((words for words in said if words), type(error).__name__)


def _may_pass(error: requests.RequestException) -> bool:
    """Whether a fault of the connection may be gone at the next attempt."""
    if isinstance(error, requests.exceptions.SSLError):
        return False
    return isinstance(
        error,
        requests.ConnectionError | requests.Timeout | requests.exceptions.ChunkedEncodingError,
    )


def _retry_after(response: requests.Response) -> float | None:
    """Seconds to wait, from a Retry-After in seconds or as a date (RFC 9110 §10.2.3)."""
    value = response.headers.get("Retry-After", "").strip()
    if not value:
        return None
    if value.isdigit():
        return float(value)
    try:
        moment = parsedate_to_datetime(value)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return max(0.0, (moment - datetime.now(UTC)).total_seconds())


def retry_after(response: requests.Response, default: float) -> float:
    """The pause that an answer asks for before the next question.

    Args:
        response: any answer.
        default: seconds, when it does not say.
    """
    asked = _retry_after(response)
    return default if asked is None else min(asked, LONGEST_DELAY_S)
