"""Layouts, bench entries and quotes: kept per owner, listed in pages, never mixed up."""

from __future__ import annotations

import math
import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import text

from rillcast_service.store.repository import Store
from rillcast_service.store.rows import Artefact, CursorInvalid, IdempotencyMismatch, LayoutRow, QuoteState


def add_layout(
    store: Store, owner: str = "ada", digest: str = "d1", **changes: Any
) -> tuple[LayoutRow, bool]:
    values: dict[str, Any] = {
        "digest": digest,
        "name": "river.svg",
        "media_type": "image/svg+xml",
        "source": b"<svg/>",
        "options": {"unit": "mm"},
        "layout": {"layers": [{"name": "Kanäle", "z": 1, "a": 2}]},
    }
    return store.add_layout(owner, **(values | changes))


def test_a_layout_comes_back_as_it_was_kept(store: Store) -> None:
    row, created = add_layout(store)
    assert created
    assert row.layout_id.startswith("lay_")
    assert store.get_layout("ada", row.layout_id) == row
    assert row.layout == {"layers": [{"name": "Kanäle", "z": 1, "a": 2}]}
    assert list(row.layout["layers"][0]) == ["name", "z", "a"], "members keep their order"
    assert store.get_layout_source("ada", row.layout_id) == b"<svg/>"
    assert abs(datetime.now(UTC) - row.created_at) < timedelta(minutes=1)


def test_the_same_digest_gives_the_same_layout_within_one_owner_only(store: Store) -> None:
    first, _ = add_layout(store)
    again, created = add_layout(store, name="other name.svg")
    assert (again, created) == (first, False)
    other, created = add_layout(store, owner="ben")
    assert created
    assert other.layout_id != first.layout_id


def test_what_belongs_to_one_owner_is_not_there_for_another(store: Store) -> None:
    row, _ = add_layout(store)
    quote, _ = store.add_quote("ada", request={}, payload={})
    store.put_bench("ada", {"kind": "printers", "name": "mine"})
    assert store.get_layout("ben", row.layout_id) is None
    assert store.get_layout_source("ben", row.layout_id) is None
    assert store.delete_layout("ben", row.layout_id) is False
    assert store.list_layouts("ben") == ([], None)
    assert store.get_quote("ben", quote.quote_id) is None
    assert store.quote_state("ben", quote.quote_id) is None
    assert store.cancel_quote("ben", quote.quote_id) is None
    assert store.list_quotes("ben") == ([], None)
    assert store.list_bench("ben") == []
    assert store.get_bench("ben", "printers", "mine") is None
    assert store.delete_bench("ben", "printers", "mine") is False
    assert store.get_quote("ada", quote.quote_id) == quote, "untouched by all that"


def test_pages_run_through_everything_once_newest_first(store: Store) -> None:
    made = [add_layout(store, digest=f"d{number}")[0].layout_id for number in range(7)]
    seen: list[str] = []
    cursor = None
    sizes = []
    while True:
        rows, cursor = store.list_layouts("ada", limit=3, cursor=cursor)
        seen += [row.layout_id for row in rows]
        sizes.append(len(rows))
        if cursor is None:
            break
    assert seen == made[::-1]
    assert sizes == [3, 3, 1]


def test_a_page_that_ends_exactly_at_the_last_row_has_no_successor(store: Store) -> None:
    for number in range(4):
        add_layout(store, digest=f"d{number}")
    _, cursor = store.list_layouts("ada", limit=2)
    rows, cursor = store.list_layouts("ada", limit=2, cursor=cursor)
    assert len(rows) == 2
    assert cursor is None


def test_rows_of_the_same_moment_are_neither_lost_nor_repeated(store: Store) -> None:
    made = {store.add_quote("ada", request={}, payload={})[0].quote_id for _ in range(5)}
    with store._database.write() as connection:
        moment = (
            datetime(2026, 3, 1, 9, tzinfo=UTC).replace(tzinfo=None)
            if store._database.is_sqlite
            else (datetime(2026, 3, 1, 9, tzinfo=UTC))
        )
        connection.execute(
            text("update quotes set created_at = :moment"),
            {"moment": f"{moment}.000000" if store._database.is_sqlite else moment},
        )
    seen: list[str] = []
    cursor = None
    for _ in range(5):
        rows, cursor = store.list_quotes("ada", limit=1, cursor=cursor)
        seen += [row.quote_id for row in rows]
    assert cursor is None
    assert sorted(seen) == sorted(made)


@pytest.mark.parametrize("cursor", ["", "x", "!!!!", "MjAyNg", "MjAyNi0wMS0wMXxhYmM", "\u00e4", "AAAA"])
def test_a_cursor_that_was_not_made_here_is_refused(store: Store, cursor: str) -> None:
    with pytest.raises(CursorInvalid):
        store.list_quotes("ada", cursor=cursor)


def test_deleting_a_layout_leaves_its_quotes_whole(store: Store) -> None:
    row, _ = add_layout(store)
    quote, _ = store.add_quote("ada", request={"layout_id": row.layout_id}, payload={"layout": row.layout})
    assert store.delete_layout("ada", row.layout_id) is True
    assert store.delete_layout("ada", row.layout_id) is False
    claim = store.claim("w", lease_s=30, max_attempts=3)
    assert claim is not None
    assert claim.payload == {"layout": row.layout}
    assert store.get_quote("ada", quote.quote_id) is not None


def test_a_bench_entry_is_replaced_and_removed(store: Store) -> None:
    entry = {"kind": "printers", "name": "mine", "title": "First", "values": {"pixel_x_um": 35}}
    assert store.put_bench("ada", entry) is True
    assert store.put_bench("ada", entry | {"title": "Second"}) is False
    assert store.get_bench("ada", "printers", "mine") == entry | {"title": "Second"}
    assert store.put_bench("ada", {"kind": "ovens", "name": "small"}) is True
    assert [(entry["kind"], entry["name"]) for entry in store.list_bench("ada")] == [
        ("ovens", "small"),
        ("printers", "mine"),
    ]
    assert store.delete_bench("ada", "printers", "mine") is True
    assert store.get_bench("ada", "printers", "mine") is None


def test_a_new_quote_waits(store: Store) -> None:
    quote, replayed = store.add_quote("ada", request={"quantity": 24}, payload={"secret": 1})
    assert not replayed
    assert quote.quote_id.startswith("quo_")
    assert (quote.state, quote.progress, quote.attempts) == (QuoteState.QUEUED, 0.0, 0)
    assert quote.request == {"quantity": 24}
    assert (quote.result, quote.problem, quote.started_at, quote.finished_at) == (None, None, None, None)


def test_an_idempotency_key_gives_the_same_quote_again(store: Store) -> None:
    first, _ = store.add_quote("ada", request={"a": 1}, payload={}, idempotency_key="k", fingerprint="f")
    again, replayed = store.add_quote(
        "ada", request={"a": 1}, payload={}, idempotency_key="k", fingerprint="f"
    )
    assert replayed
    assert again == first
    rows, _ = store.list_quotes("ada")
    assert len(rows) == 1
    other, replayed = store.add_quote("ben", request={}, payload={}, idempotency_key="k", fingerprint="f")
    assert not replayed, "keys of two owners don't meet"
    assert other.quote_id != first.quote_id


def test_an_idempotency_key_with_another_request_is_refused_and_adds_nothing(store: Store) -> None:
    store.add_quote("ada", request={}, payload={}, idempotency_key="k", fingerprint="f")
    with pytest.raises(IdempotencyMismatch):
        store.add_quote("ada", request={}, payload={}, idempotency_key="k", fingerprint="other")
    assert len(store.list_quotes("ada")[0]) == 1


def test_a_key_finds_its_quote_without_asking_for_another(store: Store) -> None:
    first, _ = store.add_quote("ada", request={"a": 1}, payload={}, idempotency_key="k", fingerprint="f")
    assert store.keyed_quote("ada", idempotency_key="k", fingerprint="f") == first
    assert store.keyed_quote("ada", idempotency_key="new", fingerprint="f") is None
    assert store.keyed_quote("ben", idempotency_key="k", fingerprint="f") is None
    with pytest.raises(IdempotencyMismatch):
        store.keyed_quote("ada", idempotency_key="k", fingerprint="other")


def test_a_forgotten_key_finds_nothing(database_url: str) -> None:
    store = Store(database_url, idempotency_ttl_h=1e-9)
    store.migrate()
    store.add_quote("ada", request={}, payload={}, idempotency_key="k", fingerprint="f")
    assert store.keyed_quote("ada", idempotency_key="k", fingerprint="f") is None
    store.close()


def test_name_and_repairs_of_the_quoted_layout_are_the_quotes_own(store: Store) -> None:
    repairs = [{"kind": "gap", "what": "joined", "area_before_mm2": 0.2}]
    named, _ = store.add_quote(
        "ada", request={}, payload={"layout": {"name": 'Fluß "A"', "repairs": repairs}}
    )
    nameless, _ = store.add_quote("ada", request={}, payload={"layout": {}})
    assert store.quoted_layout("ada", named.quote_id) == ('Fluß "A"', repairs)
    assert store.quoted_layout("ada", nameless.quote_id) == ("", [])
    assert store.quoted_layout("ben", named.quote_id) == ("", [])


def test_an_idempotency_key_is_forgotten_after_its_time(database_url: str) -> None:
    store = Store(database_url, idempotency_ttl_h=1e-9)
    store.migrate()
    first, _ = store.add_quote("ada", request={}, payload={}, idempotency_key="k", fingerprint="f")
    threading.Event().wait(0.002)
    second, replayed = store.add_quote(
        "ada", request={}, payload={}, idempotency_key="k", fingerprint="other"
    )
    assert not replayed
    assert second.quote_id != first.quote_id
    store.close()


def test_of_many_requests_with_one_key_at_once_one_makes_the_quote(store: Store) -> None:
    answers: list[tuple[str, bool]] = []

    def ask() -> None:
        row, replayed = store.add_quote("ada", request={}, payload={}, idempotency_key="k", fingerprint="f")
        answers.append((row.quote_id, replayed))

    threads = [threading.Thread(target=ask) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert len({quote_id for quote_id, _ in answers}) == 1
    assert sorted(replayed for _, replayed in answers) == [False, True, True, True, True, True]


def test_of_many_uploads_of_one_layout_at_once_one_makes_the_row(store: Store) -> None:
    answers: list[tuple[str, bool]] = []

    def upload() -> None:
        row, created = add_layout(store)
        answers.append((row.layout_id, created))

    threads = [threading.Thread(target=upload) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert len({layout_id for layout_id, _ in answers}) == 1
    assert sum(created for _, created in answers) == 1


def test_a_list_of_quotes_leaves_results_out_and_the_quote_has_it(store: Store) -> None:
    quote, _ = store.add_quote("ada", request={}, payload={})
    claim = store.claim("w", lease_s=30, max_attempts=3)
    assert claim is not None
    picture = Artefact("cast_printed_mould", "findings", "image/svg+xml", b"<svg/>")
    table = Artefact(None, "lines.csv", "text/csv", b"a,b\r\n")
    assert store.finish(claim, result={"routes": []}, files=[picture, table])
    rows, _ = store.list_quotes("ada")
    assert rows[0].result is None
    done = store.get_quote("ada", quote.quote_id)
    assert done is not None
    assert done.result == {"routes": []}
    assert (done.state, done.progress) == (QuoteState.DONE, 1.0)
    assert done.finished_at is not None
    assert store.get_artefact("ada", quote.quote_id, "cast_printed_mould", "findings") == picture
    assert store.get_artefact("ada", quote.quote_id, None, "lines.csv") == table
    assert store.get_artefact("ada", quote.quote_id, None, "findings") is None
    assert store.get_artefact("ben", quote.quote_id, None, "lines.csv") is None
    assert store.list_artefacts("ada", quote.quote_id) == [
        (None, "lines.csv", "text/csv"),
        ("cast_printed_mould", "findings", "image/svg+xml"),
    ]


def test_text_that_databases_dislike_comes_back_as_it_was(store: Store) -> None:
    # A lone surrogate and a null character: both can come out of well-formed JSON.
    request = {"name": "\ud800 \x00 µ ✓ \U0001f9ea"}
    quote, _ = store.add_quote("ada", request=request, payload=request)
    assert quote.request == request
    claim = store.claim("w", lease_s=30, max_attempts=3)
    assert claim is not None
    assert claim.payload == request


@pytest.mark.parametrize("number", [math.nan, math.inf])
def test_a_result_that_is_not_json_is_refused_whole(store: Store, number: float) -> None:
    quote, _ = store.add_quote("ada", request={}, payload={})
    claim = store.claim("w", lease_s=30, max_attempts=3)
    assert claim is not None
    with pytest.raises(Exception, match="not JSON compliant"):
        store.finish(claim, result={"width_um": number})
    assert store.quote_state("ada", quote.quote_id) is QuoteState.RUNNING


def test_workers_count_from_their_first_beat_until_they_sign_off(store: Store) -> None:
    assert store.live_workers() == 0
    store.beat("one")
    store.beat("two")
    store.beat("one")
    assert store.live_workers() == 2
    store.sign_off("two")
    assert store.live_workers() == 1


def test_a_worker_that_has_gone_silent_does_not_count(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    store.beat("one")
    monkeypatch.setattr("rillcast_service.store.workers.GONE_S", -1.0)
    assert store.live_workers() == 0
