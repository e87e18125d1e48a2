"""Which route, and why, in sentences that a client understands."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from rillcast_service.engine.costing.money import grouped
from rillcast_service.engine.job import Job
from rillcast_service.engine.result import (
    Choice,
    Comparison,
    Cost,
    Finding,
    RouteResult,
    Schedule,
    Severity,
    Verdict,
)


@dataclass(frozen=True, slots=True)
class _Offer:
    """A route that can make the chip, with its price and plan."""

    result: RouteResult
    cost: Cost
    schedule: Schedule

    @property
    def title(self) -> str:
        return self.result.title

    @property
    def at_risk(self) -> bool:
        return self.result.verdict is Verdict.MAKEABLE_WITH_RISK

    @property
    def late(self) -> bool:
        return self.schedule.meets_deadline is False


#: What is compared first, by aim; then come the other two and the verdict, so that a tie is settled
#: the same way every time.
_AIMS: Mapping[str, Callable[[_Offer], tuple[object, ...]]] = {
    "price": lambda offer: (
        offer.cost.net,
        offer.at_risk,
        offer.schedule.finished_at,
        offer.schedule.hands_on_h,
    ),
    "date": lambda offer: (
        offer.schedule.finished_at,
        offer.at_risk,
        offer.cost.net,
        offer.schedule.hands_on_h,
    ),
    "hands_on": lambda offer: (
        round(offer.schedule.hands_on_h, 2),
        offer.at_risk,
        offer.cost.net,
        offer.schedule.finished_at,
    ),
}


_SUPERLATIVE = {
    "price": "the lowest price",
    "date": "the earliest date",
    "hands_on": "the least hands-on work",
}


def compare(job: Job, results: tuple[RouteResult, ...]) -> Comparison:
    """The route to take, the reasons, and one line for every route.

    Among the routes that can make the chip (with or without a risk) the best by the job's aim is
    recommended: least net price, earliest date or least hands-on time. Routes that miss a deadline
    come after all that meet it; when none meets it, the earliest is recommended.
    Equal routes: first the one without a risk, then by price, date and hands-on time, then by id.

    Args:
        job: aim, deadline, quantity.
        results: one per route.

    Returns:
        The comparison; nothing is recommended when no route can make the chip.
    """
    offers = [
        _Offer(result, result.cost, result.schedule)
        for result in results
        if result.verdict is not Verdict.NOT_MAKEABLE and result.cost and result.schedule
    ]
    all_late = bool(offers) and all(offer.late for offer in offers)
    aim = _AIMS["date"] if all_late else _AIMS[job.aim]
    ranked = sorted(offers, key=lambda offer: (offer.late, *aim(offer), offer.result.route))
    blocked = [result for result in results if result.verdict is Verdict.NOT_MAKEABLE]
    if ranked:
        reasons = [*_why_best(job, ranked, all_late, len(results)), *_why_not(blocked)]
    else:
        reasons = ["No route can make the chip as it is drawn and on this bench.", *_why_not(blocked)]
    return Comparison(
        recommended=ranked[0].result.route if ranked else None,
        reasons=(*reasons, *_nearest(blocked)),
        choices=tuple(_choice(result) for result in results),
    )


def _choice(result: RouteResult) -> Choice:
    cost, schedule = result.cost, result.schedule
    return Choice(
        route=result.route,
        verdict=result.verdict,
        unit_price=cost.unit_price if cost else None,
        net=cost.net if cost else None,
        finished_at=schedule.finished_at if schedule else None,
        hands_on_h=schedule.hands_on_h if schedule else None,
        meets_deadline=schedule.meets_deadline if schedule else None,
    )


def _why_best(job: Job, ranked: Sequence[_Offer], all_late: bool, asked: int) -> Iterator[str]:
    best, others = ranked[0], ranked[1:]
    yield _recommendation(job, ranked, all_late, asked)
    yield _doubt(best)
    yield from _deadline(job, best, others, all_late)
    if best.at_risk:
        yield from _risk(best, others)
    for other in others:
        yield _difference(best, other)
    if job.aim == "price" and others and not all_late:
        yield from _within_doubt(best, others)


def _recommendation(job: Job, ranked: Sequence[_Offer], all_late: bool, asked: int) -> str:
    best = ranked[0]
    return (
        f"Recommended: {best.title}, {_distinction(ranked, 'date' if all_late else job.aim, asked)}: "
        f"{_money(best.cost.net, best)} before tax for {_count(job.quantity, 'piece')} "
        f"({_money(best.cost.unit_price, best)} each), ready on {_day(best.schedule.finished_at)}, "
        f"{_hours(best.schedule.hands_on_h)} of hands-on work."
    )


def _doubt(best: _Offer) -> str:
    """How far the price may be out, and why."""
    drivers = best.cost.drivers[:2]
    if not drivers:
        return "Nothing in its price is in doubt: every time and price behind it is exact."
    causes = _and(f"{driver.what} ({driver.share * 100:.0f} %)" for driver in drivers)
    return (
        f"With all that may come out otherwise, it lies between {_range(best)} (10 to 90 % probable); "
        f"the largest parts of that doubt are {causes}."
    )


def _distinction(ranked: Sequence[_Offer], aim: str, asked: int) -> str:
    """What sets the first apart, as a clause."""
    best, key = ranked[0], _AIMS[aim]
    if len(ranked) == 1:
        return "the only route that was asked for" if asked == 1 else "the only route that can make the chip"
    rivals = [other for other in ranked[1:] if other.late == best.late]
    if not rivals:
        return "the only route that meets the deadline"
    tied = [other for other in rivals if key(other)[0] == key(best)[0]]
    if not tied:
        whole = "that meet the deadline" if len(rivals) + 1 < len(ranked) else "that can make it"
        return f"with {_SUPERLATIVE[aim]} of the routes {whole}"
    settled = (
        "ahead by name only, as nothing else tells them apart"
        if key(tied[0]) == key(best)
        else "without an open risk"
        if tied[0].at_risk and not best.at_risk
        else "better in what comes next (price, date, hands-on work)"
    )
    return f"which shares {_SUPERLATIVE[aim]} with {_and(other.title for other in tied)} but is {settled}"


def _deadline(job: Job, best: _Offer, others: Sequence[_Offer], all_late: bool) -> Iterator[str]:
    if job.deadline is None:
        return
    if all_late:
        delay = _span(best.schedule.finished_at - job.deadline)
        yield (
            f"No route meets the deadline of {_moment(job.deadline)}; "
            f"the earliest, {best.title}, is {delay} late."
        )
        return
    spare = _span(job.deadline - best.schedule.finished_at)
    yield f"It meets the deadline of {_moment(job.deadline)} with {spare} to spare."
    key = _AIMS[job.aim]
    for other in others:
        if other.late:
            gain = " although it would be the better choice otherwise" if key(other) < key(best) else ""
            delay = _span(other.schedule.finished_at - job.deadline)
            yield f"{other.title} would be {delay} too late{gain}."


def _risk(best: _Offer, others: Sequence[_Offer]) -> Iterator[str]:
    risks = _of(best.result, Severity.RISK)
    if risks:
        yield f"It carries {_count(len(risks), 'risk')}: {_with_remedy(risks[0])}{_more(risks)}"
    safe = next((other for other in others if not other.at_risk and not other.late), None)
    if safe is not None:
        yield f"{safe.title} would have no open risk and costs {_dearer(best, safe)}."


def _difference(best: _Offer, other: _Offer) -> str:
    later = other.schedule.finished_at - best.schedule.finished_at
    when = "ready at the same time" if not later else f"ready {_span(abs(later))} {_later(later)}"
    extra = other.schedule.hands_on_h - best.schedule.hands_on_h
    work = (
        "the same hands-on work"
        if round(abs(extra), 1) == 0
        else f"{_hours(abs(extra))} {'more' if extra > 0 else 'less'} hands-on work"
    )
    risk = ", with a risk" if other.at_risk else ""
    return f"{other.title}{risk}: {_dearer(best, other)}, {when}, {work}."


def _within_doubt(best: _Offer, others: Sequence[_Offer]) -> Iterator[str]:
    """Routes whose price cannot be told from the best one's with the data at hand."""
    close = [other for other in others if not other.late and other.cost.total.p10 <= best.cost.total.p90]
    if close:
        yield (
            f"The price ranges of {best.title} and {_and(other.title for other in close)} overlap "
            f"({_and(_range(other) for other in close)}): "
            "by price alone the choice is not certain."
        )


def _why_not(blocked: Sequence[RouteResult]) -> Iterator[str]:
    for result in blocked:
        blockers = _of(result, Severity.BLOCKER)
        if blockers:
            yield f"{result.title} cannot make it: {_with_remedy(blockers[0])}{_more(blockers)}"
        else:
            yield f"{result.title} cannot make it. {result.summary}"


def _nearest(blocked: Sequence[RouteResult]) -> Iterator[str]:
    """The blocked route that the fewest changes would open, when one change is enough."""
    single = [result for result in blocked if len(_of(result, Severity.BLOCKER)) == 1]
    if len(blocked) > 1 and single:
        finding = _of(single[0], Severity.BLOCKER)[0]
        yield f"One change would open {single[0].title}: {_sentence(finding.remedy)}"


def _of(result: RouteResult, severity: Severity) -> list[Finding]:
    """Findings of one severity, the first of each rule."""
    first: dict[str, Finding] = {}
    for finding in result.findings:
        if finding.severity is severity:
            first.setdefault(finding.rule, finding)
    return list(first.values())


def _with_remedy(finding: Finding) -> str:
    """The fact and the remedy in a sentence each; the doubt about a limit stands in the finding."""
    fact, *_ = finding.message.split(". ")
    return f"{_sentence(fact)} {_sentence(finding.remedy)}".strip()


def _more(findings: Sequence[Finding]) -> str:
    return f" ({len(findings) - 1} more in its findings.)" if len(findings) > 1 else ""


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else text + "."


def _dearer(best: _Offer, other: _Offer) -> str:
    difference = other.cost.net - best.cost.net
    if not difference:
        return "the same price"
    percent = f" ({abs(difference) / best.cost.net * 100:.0f} %)" if best.cost.net else ""
    return f"{_money(abs(difference), best)}{percent} {'more' if difference > 0 else 'less'}"


def _range(offer: _Offer) -> str:
    total = offer.cost.total
    return f"{grouped(total.p10)} and {_money(total.p90, offer)}"


def _money(amount: Decimal, offer: _Offer) -> str:
    return f"{grouped(amount)} {offer.cost.currency}"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _hours(hours: float) -> str:
    return f"{hours:.1f} h"


def _day(moment: datetime) -> str:
    return f"{moment:%A} {moment.day} {moment:%B %Y}"


def _moment(moment: datetime) -> str:
    return f"{_day(moment)}, {moment:%H:%M}"


def _later(difference: timedelta) -> str:
    return "later" if difference > timedelta(0) else "earlier"


def _span(difference: timedelta) -> str:
    """A length of time to the unit that matters: whole days from two days on, else hours or minutes."""
    minutes = round(difference.total_seconds() / 60)
    if minutes >= 2 * 24 * 60:
        return _count(minutes // (24 * 60), "day")
    if minutes >= 60:
        return _count(minutes // 60, "hour")
    return _count(minutes, "minute")


def _and(items: Iterable[str]) -> str:
    *most, last = items
    return f"{', '.join(most)} and {last}" if most else last
