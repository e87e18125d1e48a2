"""The client: upload layouts, ask for quotes, read results and bench data."""

from __future__ import annotations

import json as json_module
import os
import time
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self, TypeVar, Unpack
from urllib.parse import quote as url_quote

import requests

from rillcast._decode import DecodeError, decode
from rillcast._transport import Transport, retry_after
from rillcast.errors import QuoteCancelledError, QuoteFailedError, QuoteTimeoutError, UnexpectedAnswerError
from rillcast.layout_files import drawing_media_type, layout_media_type
from rillcast.models import (
    Bench,
    BenchEntry,
    Correction,
    Detail,
    Layout,
    Problem,
    ProblemType,
    Quote,
    QuoteSummary,
    RouteInfo,
    RuleInfo,
    State,
)
from rillcast.options import (
    CorrectionOptions,
    LayoutOptions,
    QuoteOptions,
    UploadAndQuoteOptions,
    as_parameters,
    as_request,
    parted,
)

T = TypeVar("T")

#: A file to upload: its path, its bytes, an open binary file, or a layout that is already uploaded.
LayoutSource = str | os.PathLike[str] | bytes | BinaryIO | Layout

#: Called with the share done (0..1) and what is being worked on.
Progress = Callable[[float, str], None]

DEFAULT_URL = "http://127.0.0.1:8000"

#: File suffix → media type of a quote document.
DOCUMENT_TYPES: Mapping[str, str] = {".html": "text/html", ".htm": "text/html", ".csv": "text/csv"}

FIRST_POLL_S = 0.2
LONGEST_POLL_S = 2.0


class Client:
    """A connection to a Rillcast service.

    Args:
        base_url: address of the service; default `RILLCAST_BASE_URL`, else the address that
            `rillcast serve` listens on.
        api_key: default `RILLCAST_API_KEY`; a service on one's own machine needs none.
        timeout: seconds to connect, and to wait for data, of every single request.
        max_retries: further attempts after a lost connection, a 429 or a 5xx.
        session: a `requests.Session` to use (proxies, certificates); it is not closed here.

    Raises:
        ValueError: `base_url` is not an http address.
    """

    def __init__(
        self,
        base_url: str | None = None,
        *,
        api_key: str | None = None,
        timeout: tuple[float, float] = (5.0, 60.0),
        max_retries: int = 2,
        session: requests.Session | None = None,
    ) -> None:
        self._transport = Transport(
            base_url or os.environ.get("RILLCAST_BASE_URL") or DEFAULT_URL,
            api_key=api_key or os.environ.get("RILLCAST_API_KEY") or None,
            timeout=timeout,
            max_retries=max_retries,
            session=session,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Client({self._transport.base_url!r})"

    def close(self) -> None:
        """Close the connections."""
        self._transport.close()

    # --- the short way ------------------------------------------------------------------------------

    def quote(
        self,
        layout: LayoutSource,
        *,
        quantity: int,
        progress: Progress | None = None,
        timeout_s: float = 600.0,
        media_type: str | None = None,
        **options: Unpack[UploadAndQuoteOptions],
    ) -> Quote:
        """Upload a layout, ask for a quote and wait for it.

        Args:
            layout: see `LayoutSource`.
            quantity: good pieces wanted.
            progress: called with the share done and the step, while waiting.
            timeout_s: longest wait for the result.
            media_type: of the upload, see `upload_layout`.
            options: see `LayoutOptions` (of the upload) and `QuoteOptions`.

        Returns:
            The finished quote.

        Raises:
            ApiError: a request failed; `InvalidInputError` and its subclasses say what to mend.
            QuoteFailedError, QuoteCancelledError, QuoteTimeoutError: there is no result.
            TypeError: options of reading came with a layout that is read already.
        """
        reading, asked = parted(options, uploaded=isinstance(layout, Layout))
        if not isinstance(layout, Layout):
            layout = self.upload_layout(layout, media_type=media_type, **reading)
        elif reading:
            raise TypeError(f"{', '.join(reading)} cannot be given: the layout is uploaded already")
        queued = self.create_quote(layout, quantity=quantity, **asked)
        return self.wait(queued, timeout_s=timeout_s, progress=progress)

    # --- layouts ------------------------------------------------------------------------------------

    def upload_layout(
        self,
        source: str | os.PathLike[str] | bytes | BinaryIO,
        *,
        media_type: str | None = None,
        **options: Unpack[LayoutOptions],
    ) -> Layout:
        """Upload a drawing; the same file with the same options gives the same layout again.

        Args:
            source: path, bytes or open binary file: SVG, DXF, GDSII, OASIS, GeoJSON or WKT.
            media_type: default by the file's suffix, else by how it begins.
            options: see `LayoutOptions`; the name is the file's without its suffix when none is given.

        Returns:
            The layout as the service read it.

        Raises:
            TypeError: an option that an upload does not have.
            ValueError: the kind of file cannot be told.
            OSError: the file cannot be read.
            ApiError: the service refused it; see `LayoutUnitsMissingError` and its siblings.
        """
        body, file_name = _read(source)
        named: LayoutOptions = {"name": Path(file_name).stem} if Path(file_name).stem else {}
        response = self._transport.request(
            "POST",
            "/v1/layouts",
            params=as_parameters({**named, **options}),
            body=body,
            headers={"Content-Type": media_type or layout_media_type(file_name, body)},
        )
        return self._layout(self._object(response))

    def layout(self, layout_id: str) -> Layout:
        """An uploaded layout."""
        return self._layout(self._object(self._transport.request("GET", f"/v1/layouts/{_part(layout_id)}")))

    def iter_layouts(self, *, page_size: int | None = None) -> Iterator[Layout]:
        """All uploaded layouts, newest first; further pages are fetched as they are needed."""
        return (self._layout(item) for item in self._items("/v1/layouts", page_size))

    def layout_file(self, layout_id: str, media_type: str = "image/svg+xml") -> bytes:
        """A layout as a drawing again, with its repairs done.

        Args:
            layout_id: which layout.
            media_type: of the format, see `layout_files.LAYOUT_TYPES`.
        """
        response = self._transport.request(
            "GET", f"/v1/layouts/{_part(layout_id)}/file", headers={"Accept": media_type}
        )
        return response.content

    def save_layout(self, layout: Layout, path: str | Path) -> Path:
        """Write a layout to a file as a drawing; see `Layout.save`.

        Raises:
            ValueError: the suffix names no format that a layout is saved in.
        """
        path = Path(path)
        path.write_bytes(self.layout_file(layout.layout_id, drawing_media_type(path.name)))
        return path

    def layout_picture(self, layout_id: str) -> str:
        """A picture of a layout as SVG text."""
        return self._text(f"/v1/layouts/{_part(layout_id)}/picture", "image/svg+xml")

    def correct_layout(
        self,
        layout: Layout | str,
        *,
        route: str,
        rules: Sequence[str] = (),
        move_ports: bool = False,
        **options: Unpack[CorrectionOptions],
    ) -> Correction:
        """A layout with the places mended that a route's review objects to.

        Args:
            layout: an uploaded layout, or its id.
            route: whose limits count.
            rules: ids of the rules to mend; all that can be mended when empty.
            move_ports: whether ports may be moved; connectors, tubes and holders move along.
            options: see `CorrectionOptions`.

        Returns:
            The corrected layout, its changes, and what is left for a decision. Asking again for the same
            gives the same layout.

        Raises:
            ApiError: the request failed; `InvalidInputError` and its subclasses say what to mend.
        """
        layout_id = layout.layout_id if isinstance(layout, Layout) else layout
        document: dict[str, Any] = {"route": route, **options}
        if rules:
            document["rules"] = list(rules)
        if move_ports:
            document["move_ports"] = True
        link = f"/v1/layouts/{_part(layout_id)}/corrections"
        correction = self._decoded(Correction, self._transport.request("POST", link, json=document))
        return replace(correction, layout=replace(correction.layout, _source=self))

    def delete_layout(self, layout_id: str) -> None:
        """Delete a layout; quotes made from it stay as they are."""
        self._transport.request("DELETE", f"/v1/layouts/{_part(layout_id)}")

    # --- quotes -------------------------------------------------------------------------------------

    def create_quote(
        self,
        layout: Layout | str,
        *,
        quantity: int,
        idempotency_key: str | None = None,
        wait_s: float = 0.0,
        **options: Unpack[QuoteOptions],
    ) -> Quote:
        """Ask for a quote without waiting for its result.

        Args:
            layout: an uploaded layout, or its id.
            quantity: good pieces wanted.
            idempotency_key: asking again with the same key gives the same quote; default a new one.
            wait_s: how long the service may hold the answer back in case it is done by then.
            options: see `QuoteOptions`.

        Returns:
            The quote, as a rule still queued; see `wait`.
        """
        document = as_request(quantity, options)
        document["layout_id"] = layout.layout_id if isinstance(layout, Layout) else layout
        # Made once, before the transport's retries: a repeated request must find the first one's quote.
        headers = {"Idempotency-Key": idempotency_key or str(uuid.uuid4())}
        if wait_s > 0:
            headers["Prefer"] = f"wait={wait_s:g}"
        return self._quote(self._transport.request("POST", "/v1/quotes", json=document, headers=headers))

    def get_quote(self, quote_id: str) -> Quote:
        """A quote as it stands now."""
        return self._quote(self._transport.request("GET", f"/v1/quotes/{_part(quote_id)}"))

    def iter_quotes(self, *, page_size: int | None = None) -> Iterator[QuoteSummary]:
        """All quotes without their results, newest first; pages are fetched as they are needed."""
        return (self._as(QuoteSummary, item) for item in self._items("/v1/quotes", page_size))

    def wait(
        self, quote: Quote | str, *, timeout_s: float = 600.0, progress: Progress | None = None
    ) -> Quote:
        """Wait until a quote is done.

        Args:
            quote: the quote, or its id.
            timeout_s: longest wait.
            progress: called with the share done and the step, each time it is looked up.

        Returns:
            The finished quote.

        Raises:
            QuoteFailedError, QuoteCancelledError: it ended without a result.
            QuoteTimeoutError: it is still running; call `wait` again to go on waiting.
        """
        deadline = time.monotonic() + timeout_s
        current = self.get_quote(quote) if isinstance(quote, str) else quote
        pause = FIRST_POLL_S
        while True:
            if progress is not None:
                progress(current.progress, current.step or str(current.state))
            if current.finished:
                return _result_of(current)
            left = deadline - time.monotonic()
            if left <= 0:
                raise QuoteTimeoutError(current, timeout_s)
            self._transport.sleep(min(pause, left))
            response = self._transport.request("GET", f"/v1/quotes/{_part(current.quote_id)}")
            current = self._quote(response)
            pause = retry_after(response, default=min(pause * 1.5, LONGEST_POLL_S))

    def cancel_quote(self, quote_id: str) -> Quote:
        """Stop the work on a quote."""
        return self._quote(self._transport.request("POST", f"/v1/quotes/{_part(quote_id)}/cancel"))

    def document(self, quote_id: str, media_type: str = "text/html", *, detail: Detail = "brief") -> str:
        """A document of a finished quote as text: `text/html` (quotation) or `text/csv` (cost lines).

        Args:
            quote_id: which quote.
            media_type: which document.
            detail: of the quotation: the recommended route whole and the others in brief, or all in full.
        """
        params = None if detail == "brief" else {"detail": detail}
        return self._text(f"/v1/quotes/{_part(quote_id)}/document", media_type, params)

    def picture(self, quote_id: str, route: str, picture: str = "findings") -> str:
        """A picture of one route, SVG: `findings`, `as_made`, `mixing`, `timeline` and the like."""
        link = f"/v1/quotes/{_part(quote_id)}/pictures/{_part(route)}/{_part(picture)}"
        return self._text(link, "image/svg+xml")

    def save_quote(self, quote: Quote, path: str | Path, *, detail: Detail = "brief") -> Path:
        """Write a quote to a file; see `Quote.save`.

        Raises:
            ValueError: the suffix names no form that a quote has.
        """
        path = Path(path)
        check_document_suffix(path)
        if path.suffix.lower() == ".json":
            text = json_module.dumps(quote.raw, indent=2, ensure_ascii=False) + "\n"
        else:
            text = self.document(quote.quote_id, DOCUMENT_TYPES[path.suffix.lower()], detail=detail)
        path.write_text(text, encoding="utf-8", newline="")
        return path

    # --- what can be looked up ----------------------------------------------------------------------

    def routes(self) -> tuple[RouteInfo, ...]:
        """The ways of making a chip that the service knows."""
        return tuple(self._as(RouteInfo, item) for item in self._items("/v1/routes"))

    def route(self, route_id: str) -> RouteInfo:
        """One way of making a chip."""
        return self._get(RouteInfo, f"/v1/routes/{_part(route_id)}")

    def rules(self) -> tuple[RuleInfo, ...]:
        """The checks of the review, with their limits and sources."""
        return tuple(self._as(RuleInfo, item) for item in self._items("/v1/rules"))

    def bench(self) -> Bench:
        """Everything on the bench, its kinds, and what a quote takes that names nothing."""
        return self._get(Bench, "/v1/bench")

    def bench_entries(self, kind: str) -> tuple[BenchEntry, ...]:
        """All things of one kind (`printers`, `resins`, `silicones` …), shipped and one's own."""
        return tuple(self._as(BenchEntry, item) for item in self._items(f"/v1/bench/{_part(kind)}"))

    def bench_entry(self, kind: str, name: str) -> BenchEntry:
        """One thing of the bench."""
        return self._get(BenchEntry, f"/v1/bench/{_part(kind)}/{_part(name)}")

    def put_bench_entry(
        self,
        kind: str,
        name: str,
        values: Mapping[str, Any],
        *,
        title: str | None = None,
        based_on: str | None = None,
    ) -> BenchEntry:
        """Lay own values over a shipped entry, or add one.

        Args:
            kind, name: which; a new name needs `based_on` or all the values that its kind needs.
            values: key → a bare value in the unit that the key ends in, or an object with `value`,
                `low`, `high`, `source`.
            title: for people.
            based_on: the entry whose values hold where `values` gives none.
        """
        document: dict[str, Any] = {"values": dict(values)}
        if title is not None:
            document["title"] = title
        if based_on is not None:
            document["based_on"] = based_on
        link = f"/v1/bench/{_part(kind)}/{_part(name)}"
        return self._decoded(BenchEntry, self._transport.request("PUT", link, json=document))

    def delete_bench_entry(self, kind: str, name: str) -> None:
        """Take one's own values away again; a shipped entry is as shipped from then on."""
        self._transport.request("DELETE", f"/v1/bench/{_part(kind)}/{_part(name)}")

    # --- operations ---------------------------------------------------------------------------------

    def health(self) -> Mapping[str, Any]:
        """Whether the service is alive."""
        return self._object(self._transport.request("GET", "/healthz"))

    def ready(self) -> Mapping[str, Any]:
        """Whether the service can take work. Raises ServerError while it cannot."""
        return self._object(self._transport.request("GET", "/readyz"))

    def contract(self) -> Mapping[str, Any]:
        """The OpenAPI document of the service."""
        return self._object(self._transport.request("GET", "/openapi.json"))

    def problem_type(self, slug: str) -> ProblemType:
        """What a type of problem means; `slug` is the last part of a problem's `type`."""
        return self._get(ProblemType, f"/problems/{_part(slug)}")

    # --- inside -------------------------------------------------------------------------------------

    def _get(self, model: type[T], link: str) -> T:
        return self._decoded(model, self._transport.request("GET", link))

    def _text(self, link: str, media_type: str, params: Mapping[str, str] | None = None) -> str:
        response = self._transport.request("GET", link, params=params, headers={"Accept": media_type})
        response.encoding = "utf-8"  # requests guesses ISO 8859-1 for text without a charset
        return response.text

    def _items(self, link: str, page_size: int | None = None) -> Iterator[Any]:
        """The items of a collection, page after page."""
        params = {"limit": str(page_size)} if page_size else None
        next_link: str | None = link
        while next_link:
            page = self._object(self._transport.request("GET", next_link, params=params))
            items = page.get("items")
            if not isinstance(items, list):
                raise UnexpectedAnswerError(f"{next_link}: the answer has no items")
            yield from items
            next_link, params = page.get("next"), None

    def _layout(self, document: Any) -> Layout:
        return replace(self._as(Layout, document), _source=self)

    def _quote(self, response: requests.Response) -> Quote:
        return self._bound(self._decoded(Quote, response))

    def _bound(self, quote: Quote) -> Quote:
        return replace(quote, _source=self)

    def _decoded(self, model: type[T], response: requests.Response) -> T:
        return self._as(model, self._object(response))

    def _as(self, model: type[T], document: Any) -> T:
        try:
            return decode(model, document)
        except DecodeError as error:
            raise UnexpectedAnswerError(
                f"the answer is not a {model.__name__.lower()} as the contract has it: {error}"
            ) from None

    def _object(self, response: requests.Response) -> Mapping[str, Any]:
        try:
            document = response.json()
        except ValueError:
            document = None
        if not isinstance(document, dict):
            raise UnexpectedAnswerError(f"{response.url} answered something other than a JSON object")
        return document


def check_document_suffix(path: Path) -> None:
    """Refuse a file name whose suffix names no form that a quote has. Raises ValueError."""
    suffix = path.suffix.lower()
    if suffix == ".json" or suffix in DOCUMENT_TYPES:
        return
    offered = "a quote comes as .html (the quotation, made to be printed), .csv (the cost lines) or .json"
    if suffix == ".pdf":
        offered = f"PDF is not offered yet; {offered}. A browser prints the .html to a PDF."
    raise ValueError(f"{path.name}: {offered}")


def _result_of(quote: Quote) -> Quote:
    if quote.state == State.CANCELLED:
        raise QuoteCancelledError(quote)
    if quote.state == State.FAILED:
        raise QuoteFailedError(quote, quote.problem or Problem(title="The quote failed without a reason"))
    return quote


def _read(source: str | os.PathLike[str] | bytes | BinaryIO) -> tuple[bytes, str]:
    """Bytes and name of a file; read whole, so that a retry can send it again."""
    if isinstance(source, bytes):
        return source, ""
    if isinstance(source, str | os.PathLike):
        path = Path(source)
        return path.read_bytes(), path.name
    name = getattr(source, "name", "")
    return source.read(), Path(name).name if isinstance(name, str) else ""


def _part(text: str) -> str:
    """One part of a path; a name cannot smuggle in a slash."""
    return url_quote(text, safe="")
