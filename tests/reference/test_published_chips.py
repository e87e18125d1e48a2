"""Chips that others made, and could not make: the review's verdict against what was published.

The sources stand in published_chips.toml, one by one, with what of each was read. The table for readers,
published_chips.md, is what these verdicts give.
"""

import pytest
from published_chips import DOCUMENT, chips, document, judge

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


def test_at_least_five_of_six_are_right(judged):
    right = sum(answer.right for answer in judged.values())
    assert right >= 5 * len(judged) / 6


def test_the_table_for_readers_is_what_the_review_says(judged):
    assert DOCUMENT.read_text(encoding="utf-8") == document(list(judged.values()))
