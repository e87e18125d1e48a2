"""Announcing jobs: embedded, and through real brokers; a lost word is made good by the sweep."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from rillcast_service.jobs.broker import announce, make_broker, make_consumer
from rillcast_service.jobs.dispatch import EmbeddedDispatcher, QueueDispatcher, make_dispatcher
from rillcast_service.jobs.worker import Worker
from rillcast_service.settings import Settings
from rillcast_service.store.repository import Store
from rillcast_service.store.rows import QuoteState

BROKERS = {"redis": "RILLCAST_TEST_REDIS_URL", "rabbitmq": "RILLCAST_TEST_AMQP_URL"}


@pytest.fixture(params=[pytest.param(name, marks=pytest.mark.broker) for name in BROKERS])
def queue(request: pytest.FixtureRequest, require_env: Callable[[str], str]) -> Iterator[tuple[str, str]]:
    """URL of a broker and the name of a queue of our own on it."""
    url = require_env(BROKERS[request.param])
    name = f"rillcast-test-{secrets.token_hex(6)}"
    yield url, name
    remove_queue(url, name)


def remove_queue(url: str, name: str) -> None:
    """Take the queue and its companions for delayed and dead messages off the broker."""
    broker: Any = make_broker(url, queue_name=name)
    broker.declare_queue(name)
    if url.startswith("redis"):
        for key in broker.client.scan_iter(f"{name}:*"):
            broker.client.delete(key)
    else:
        for each in (name, f"{name}.DQ", f"{name}.XQ"):
            broker.channel.queue_delete(each)
    broker.close()


class Working:
    """A worker in a thread."""

    def __init__(self, settings: Settings, store: Store) -> None:
        self.stopping = threading.Event()
        self.dispatcher = make_dispatcher(settings)
        self.worker = Worker(settings, store, self.dispatcher, self.stopping)
        self.thread = threading.Thread(target=self.worker.run)

    def __enter__(self) -> Working:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stopping.set()
        self.thread.join(20)
        self.dispatcher.close()
        assert not self.thread.is_alive()


def wait_until_final(store: Store, quote_ids: list[str], within_s: float = 20.0) -> list[QuoteState | None]:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        states = [store.quote_state("ada", quote_id) for quote_id in quote_ids]
        if all(state is not None and state.final for state in states):
            break
        time.sleep(0.05)
    return states


def submit(store: Store, number: int = 0) -> str:
    return store.add_quote("ada", request={}, payload={"do": "quick", "number": number})[0].quote_id


def test_without_a_queue_workers_look_for_themselves(store: Store, settings: Settings) -> None:
    assert isinstance(make_dispatcher(settings), EmbeddedDispatcher)
    quote_ids = [submit(store, number) for number in range(3)]
    with Working(settings, store):
        assert wait_until_final(store, quote_ids) == [QuoteState.DONE] * 3
        assert store.live_workers() == 1
    assert store.live_workers() == 0, "a worker that stops in order signs off"
    numbers = [store.get_quote("ada", quote_id).result["number"] for quote_id in quote_ids]  # type: ignore[union-attr, index]
    assert numbers == [0, 1, 2]


def test_a_job_left_by_a_worker_that_is_gone_is_picked_up(store: Store, settings: Settings) -> None:
    quote_id = submit(store)
    assert store.claim("gone", lease_s=0.3, max_attempts=3) is not None
    with Working(settings, store):
        assert wait_until_final(store, [quote_id]) == [QuoteState.DONE]


def test_a_job_that_took_down_every_worker_is_given_up_by_the_sweep(store: Store, settings: Settings) -> None:
    quote_id = submit(store)
    for _ in range(3):
        assert store.claim("gone", lease_s=0.0, max_attempts=3) is not None
        time.sleep(0.002)
    with Working(settings, store):
        assert wait_until_final(store, [quote_id]) == [QuoteState.FAILED]
    row = store.get_quote("ada", quote_id)
    assert row is not None
    assert row.problem is not None
    assert row.problem["type"] == "/problems/job-attempts-exhausted"


def test_a_broker_that_is_away_does_not_refuse_the_job(
    settings: Settings, caplog: pytest.LogCaptureFixture
) -> None:
    # Port 9 of this machine (the discard service) is not listened on.
    dispatcher = QueueDispatcher("redis://127.0.0.1:9/0", queue_name="q")
    dispatcher.notify("quo_1")
    dispatcher.close()
    assert "quo_1 could not be announced" in caplog.text


def test_an_announced_job_is_run_through_the_broker(
    store: Store, settings: Settings, queue: tuple[str, str]
) -> None:
    url, name = queue
    settings = replace(settings, queue_url=url, queue_name=name, lease_s=60.0)
    dispatcher = make_dispatcher(settings)
    assert isinstance(dispatcher, QueueDispatcher)
    quote_ids = [submit(store, number) for number in range(3)]
    for quote_id in quote_ids:
        dispatcher.notify(quote_id)
    with Working(settings, store):
        # The lease is long, so the sweep announces nothing: it was the broker.
        assert wait_until_final(store, quote_ids) == [QuoteState.DONE] * 3
    dispatcher.close()


def test_a_job_whose_announcement_was_lost_is_found_by_the_sweep(
    store: Store, settings: Settings, queue: tuple[str, str]
) -> None:
    url, name = queue
    settings = replace(settings, queue_url=url, queue_name=name, lease_s=1.0)
    quote_id = submit(store)
    with Working(settings, store):
        assert wait_until_final(store, [quote_id]) == [QuoteState.DONE]


def test_a_job_announced_twice_is_run_once(store: Store, settings: Settings, queue: tuple[str, str]) -> None:
    url, name = queue
    settings = replace(settings, queue_url=url, queue_name=name, lease_s=60.0)
    first, last = submit(store), submit(store)
    broker = make_broker(url, queue_name=name)
    for quote_id in (first, first, "quo_unknown", first, last):
        announce(broker, quote_id, queue_name=name)
    broker.close()
    with Working(settings, store):
        assert wait_until_final(store, [first, last]) == [QuoteState.DONE] * 2
    row = store.get_quote("ada", first)
    assert row is not None
    assert row.attempts == 1


def test_an_announcement_does_not_wait_behind_a_busy_worker(queue: tuple[str, str]) -> None:
    url, name = queue
    # Each job waits for the other: were both fetched by one consumer, neither would go on.
    together = threading.Barrier(2, timeout=10)
    met = threading.Semaphore(0)

    def run_job(_: str) -> None:
        together.wait()
        met.release()

    brokers = [make_broker(url, queue_name=name) for _ in range(2)]
    consumers = [make_consumer(broker, run_job, queue_name=name) for broker in brokers]
    for consumer in consumers:
        consumer.start()
    for job_id in ("one", "two"):
        announce(brokers[0], job_id, queue_name=name)
    finished = [met.acquire(timeout=15) for _ in range(2)]
    for consumer, broker in zip(consumers, brokers, strict=True):
        consumer.stop()
        broker.close()
    assert finished == [True, True]
