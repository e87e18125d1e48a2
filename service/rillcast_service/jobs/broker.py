"""The distributed engine: jobs announced over Redis or RabbitMQ, with dramatiq.

The engine's own retries, age limits and time limits are left out: the quotes table does all that, whatever
the broker loses or delivers twice.
"""

from __future__ import annotations

from collections.abc import Callable

import dramatiq

ACTOR = "run_job"


def make_broker(url: str, *, queue_name: str) -> dramatiq.Broker:
    """A connection to a broker, made when it is first used.

    Args:
        url: `redis://`, `rediss://`, `amqp://` or `amqps://`.
        queue_name: the queue; on Redis also the prefix of all keys, so that installations keep apart.
    """
    if url.startswith("redis"):
        from dramatiq.brokers.redis import RedisBroker

        broker: dramatiq.Broker = RedisBroker(url=url, middleware=[], namespace=queue_name)  # type: ignore[no-untyped-call]
        return broker
    from dramatiq.brokers.rabbitmq import RabbitmqBroker

    # Confirmed delivery: an announcement that is refused is then known to be, and a lost queue is made anew.
    return RabbitmqBroker(url=url, middleware=[], confirm_delivery=True)


def announce(broker: dramatiq.Broker, job_id: str, *, queue_name: str) -> None:
    """Send the id of a job to whoever is free. Raises what the broker's library raises."""
    broker.declare_queue(queue_name)
    message: dramatiq.Message[None] = dramatiq.Message(
        queue_name=queue_name, actor_name=ACTOR, args=(job_id,), kwargs={}, options={}
    )
    broker.enqueue(message)


def make_consumer(
    broker: dramatiq.Broker, run_job: Callable[[str], None], *, queue_name: str
) -> dramatiq.Worker:
    """A consumer that calls `run_job(job_id)` for one announcement at a time, in a thread of its own.

    It fetches no announcement ahead: a job would then wait behind a busy worker while another is free.
    """
    dramatiq.actor(actor_name=ACTOR, queue_name=queue_name, broker=broker)(run_job)
    consumer = dramatiq.Worker(broker, queues={queue_name}, worker_threads=1, worker_timeout=200)
    consumer.queue_prefetch = 1
    return consumer
