"""Chips that others made, and could not make: the review's verdict against what was published.

The sources stand in published_chips.toml, one by one, with what of each was read. The table for readers,
published_chips.md, is what these verdicts give.
"""

import pytest
from published_chips import DOCUMENT, INFERRED, chips, document, judge

from rillcast_service.engine.result import Verdict

CHIPS = chips()


@pytest.fixture(scope="module")
def judged():
    return {chip["id"]: judge(chip) for chip in CHIPS}


def test_enough_were_made_and_enough_failed():
    outcomes = [chip["made"] for chip in CHIPS]
    assert len({chip["id"] for chip in CHIPS}) == len(CHIPS) >= 20
    assert outcomes.count(True) >= 10
    assert outcomes.count(False) >= 10
    assert {chip["known"] for chip in CHIPS} == {"shown", "published limit", INFERRED}
    of_source = [chip["made"] for chip in CHIPS if chip["known"] != INFERRED]
    assert len(of_source) >= 20
    assert min(of_source.count(True), of_source.count(False)) >= 8
    assert {chip["read"] for chip in CHIPS} <= {"abstract", "reference", "memory"}
    assert all(chip["source"] and chip["basis"] for chip in CHIPS)


@pytest.mark.parametrize("chip", CHIPS, ids=[chip["id"] for chip in CHIPS])
def test_the_verdict_is_what_came_of_it(judged, chip):
    answer = judged[chip["id"]]
    # a verdict that is known to be wrong says why, and does not stay so unnoticed once it is right
    assert answer.right is ("wrong" not in chip), (answer.verdict, answer.deciding)


def test_what_failed_is_never_promised_without_a_risk(judged):
    assert [
        name
        for name, answer in judged.items()
        if not answer.chip["made"] and answer.verdict is Verdict.MAKEABLE
    ] == []


@pytest.mark.parametrize("inferred", [False, True])
def test_at_least_four_of_five_are_right(judged, inferred):
    rows = [answer for answer in judged.values() if (answer.chip["known"] == INFERRED) is inferred]
    assert sum(answer.right for answer in rows) >= 4 * len(rows) / 5


def test_the_table_for_readers_is_what_the_review_says(judged):
    assert DOCUMENT.read_text(encoding="utf-8") == document(list(judged.values()))
