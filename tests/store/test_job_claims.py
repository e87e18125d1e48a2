"""Claims, leases and the fence: nothing is lost, and a late writer writes nothing."""

from __future__ import annotations

import threading
import time

import pytest

from rillcast_service.store.repository import Store
from rillcast_service.store.rows import Artefact, Claim, QuoteState

LONG_S = 60.0
OVER_S = 0.05
EXHAUSTED = {"type": "about:blank", "title": "Given up", "status": 500}


def submit(store: Store, **payload: int) -> str:
    return store.add_quote("ada", request={}, payload=payload)[0].quote_id


def claim(store: Store, worker: str = "w1", *, lease_s: float = LONG_S, quote_id: str | None = None) -> Claim:
    claimed = store.claim(worker, lease_s=lease_s, max_attempts=3, quote_id=quote_id)
    assert claimed is not None
    return claimed


def state(store: Store, quote_id: str) -> QuoteState:
    found = store.quote_state("ada", quote_id)
    assert found is not None
    return found


def sweep(store: Store, announce_s: float = 0.0) -> tuple[tuple[str, ...], tuple[str, ...]]:
    swept = store.sweep(max_attempts=3, announce_s=announce_s, exhausted=EXHAUSTED)
    return swept.announced, swept.exhausted


def test_an_empty_queue_gives_nothing(store: Store) -> None:
    assert store.claim("w", lease_s=LONG_S, max_attempts=3) is None


def test_jobs_are_claimed_in_the_order_they_came(store: Store) -> None:
    made = [submit(store, number=number) for number in range(3)]
    claims = [claim(store) for _ in range(3)]
    assert [each.quote_id for each in claims] == made
    assert [each.payload for each in claims] == [{"number": 0}, {"number": 1}, {"number": 2}]
    assert store.claim("w", lease_s=LONG_S, max_attempts=3) is None
    assert store.queue_length() == 3


def test_a_named_job_is_claimed_once(store: Store) -> None:
    submit(store)
    second = submit(store)
    assert claim(store, quote_id=second).quote_id == second
    assert store.claim("w2", lease_s=LONG_S, max_attempts=3, quote_id=second) is None


def test_two_claimants_never_get_the_same_job(store: Store) -> None:
    made = [submit(store) for _ in range(12)]
    taken: list[str] = []
    together = threading.Barrier(3)

    def work(name: str) -> None:
        together.wait()
        misses = 0
        while misses < 3:
            claimed = store.claim(name, lease_s=LONG_S, max_attempts=3)
            if claimed is None:
                misses += 1
            else:
                taken.append(claimed.quote_id)

    threads = [threading.Thread(target=work, args=(f"w{number}",)) for number in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert sorted(taken) == sorted(made)


def test_a_lease_that_runs_out_frees_the_job_and_a_heartbeat_keeps_it(store: Store) -> None:
    submit(store)
    first = claim(store, lease_s=OVER_S)
    assert store.heartbeat(first, lease_s=LONG_S)
    time.sleep(2 * OVER_S)
    assert store.claim("w2", lease_s=LONG_S, max_attempts=3) is None
    assert store.heartbeat(first, lease_s=0.0)
    second = claim(store, "w2")
    assert (second.quote_id, second.attempt, second.tries) == (first.quote_id, 2, 2)


def test_a_worker_that_wakes_up_late_writes_nothing(store: Store) -> None:
    quote_id = submit(store)
    frozen = claim(store, "frozen", lease_s=OVER_S)
    time.sleep(2 * OVER_S)
    successor = claim(store, "successor")
    assert store.report(successor, progress=0.5, step="flow")

    late = Artefact(None, "late", "text/plain", b"late")
    assert store.holds(frozen) is False
    assert store.heartbeat(frozen, lease_s=LONG_S) is False
    assert store.report(frozen, progress=0.9, step="late") is False
    assert store.finish(frozen, result={"late": True}, files=[late]) is False
    assert store.fail(frozen, problem={"late": True}) is False
    assert store.retry(frozen) is False
    assert store.release(frozen) is False

    assert store.holds(successor)
    running = store.get_quote("ada", quote_id)
    assert running is not None
    assert (running.state, running.progress, running.step) == (QuoteState.RUNNING, 0.5, "flow")
    assert store.finish(successor, result={"good": True})
    assert store.finish(frozen, result={"late": True}, files=[late]) is False
    done = store.get_quote("ada", quote_id)
    assert done is not None
    assert done.result == {"good": True}
    assert store.get_artefact("ada", quote_id, None, "late") is None


def test_a_lease_that_ran_out_unclaimed_still_lets_its_worker_finish(store: Store) -> None:
    quote_id = submit(store)
    slow = claim(store, lease_s=0.0)
    assert store.finish(slow, result={})
    assert state(store, quote_id) is QuoteState.DONE


def test_progress_stays_between_nothing_and_all(store: Store) -> None:
    quote_id = submit(store)
    claimed = claim(store)
    for given, kept in ((0.25, 0.25), (7.0, 1.0), (-1.0, 0.0)):
        store.report(claimed, progress=given, step="s")
        row = store.get_quote("ada", quote_id)
        assert row is not None
        assert row.progress == kept


def test_a_cancelled_job_is_not_claimed_and_its_worker_writes_nothing(store: Store) -> None:
    waiting, running = submit(store), submit(store)
    claimed = claim(store, quote_id=running)
    for quote_id in (waiting, running):
        row = store.cancel_quote("ada", quote_id)
        assert row is not None
        assert row.state is QuoteState.CANCELLED
        assert row.finished_at is not None
    assert store.holds(claimed) is False
    assert store.finish(claimed, result={}) is False
    assert store.claim("w", lease_s=LONG_S, max_attempts=3) is None
    assert state(store, running) is QuoteState.CANCELLED


def test_cancelling_what_is_final_changes_nothing(store: Store) -> None:
    quote_id = submit(store)
    store.finish(claim(store), result={"r": 1})
    before = store.get_quote("ada", quote_id)
    assert store.cancel_quote("ada", quote_id) == before


def test_a_job_that_keeps_crashing_is_given_up(store: Store) -> None:
    quote_id = submit(store)
    for tries in (1, 2, 3):
        claimed = claim(store, lease_s=0.0)
        assert claimed.tries == tries
        time.sleep(0.002)
    assert store.claim("w", lease_s=LONG_S, max_attempts=3) is None
    assert sweep(store) == ((), (quote_id,))
    row = store.get_quote("ada", quote_id)
    assert row is not None
    assert (row.state, row.problem, row.attempts) == (QuoteState.FAILED, EXHAUSTED, 3)
    assert row.finished_at is not None
    assert sweep(store) == ((), ())


def test_the_last_attempt_is_left_alone_while_its_lease_lasts(store: Store) -> None:
    quote_id = submit(store)
    for _ in range(2):
        store.retry(claim(store))
    last = claim(store)
    assert last.tries == 3
    assert sweep(store) == ((), ())
    assert store.finish(last, result={})
    assert state(store, quote_id) is QuoteState.DONE


def test_handing_back_in_good_order_costs_no_attempt_but_raises_the_fence(store: Store) -> None:
    submit(store)
    for number in range(1, 6):
        claimed = claim(store)
        assert (claimed.attempt, claimed.tries) == (number, 1)
        assert store.release(claimed)
        assert store.holds(claimed) is False
    assert claim(store).tries == 1


def test_a_crash_that_is_handed_back_counts(store: Store) -> None:
    submit(store)
    assert store.retry(claim(store))
    assert claim(store).tries == 2


def test_the_sweep_announces_what_waits_too_long_and_not_more_often(store: Store) -> None:
    queued, abandoned, held = submit(store), submit(store), submit(store)
    claim(store, quote_id=abandoned, lease_s=0.0)
    claim(store, quote_id=held)
    assert sweep(store, announce_s=LONG_S) == ((), ()), "all were announced a moment ago"
    time.sleep(2 * OVER_S)
    assert sweep(store, announce_s=OVER_S) == ((queued, abandoned), ())
    assert sweep(store, announce_s=LONG_S) == ((), ())


def test_what_was_handed_back_is_announced_at_once(store: Store) -> None:
    quote_id = submit(store)
    store.release(claim(store))
    assert sweep(store, announce_s=LONG_S) == ((quote_id,), ())


def test_a_claim_is_cut_short_by_nothing_when_files_clash(store: Store) -> None:
    """Result and files go in together or not at all."""
    quote_id = submit(store)
    claimed = claim(store)
    twin = Artefact(None, "same", "text/plain", b"")
    with pytest.raises(Exception, match=r"(?i)unique"):
        store.finish(claimed, result={}, files=[twin, twin])
    assert state(store, quote_id) is QuoteState.RUNNING
    assert store.list_artefacts("ada", quote_id) == []
    assert store.finish(claimed, result={}, files=[twin])
