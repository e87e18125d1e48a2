"""The plan as a picture: rows, time from left to right, folded nights, hands-on told from unattended."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from xml.etree import ElementTree

import pytest

from rillcast_service.documents.pictures import timeline_picture
from rillcast_service.documents.timeline import ATTENDED, FOLD_FILL, HANDS_ON, UNATTENDED
from rillcast_service.engine.result import ScheduledStep

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def plan(cast_route):
    return cast_route.schedule


def _texts(svg: str) -> list[str]:
    return [element.text or "" for element in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def _bars(svg: str) -> list[tuple[str, dict[str, tuple[float, float]]]]:
    """Each bar's description, and its pieces by fill as (left, right)."""
    bars = []
    for group in ElementTree.fromstring(svg).iter(f"{SVG}g"):
        title = group.find(f"{SVG}title")
        if title is None:
            continue
        pieces = {}
        for rect in group.iter(f"{SVG}rect"):
            left = float(rect.get("x"))
            pieces[rect.get("fill")] = (left, left + float(rect.get("width")))
        bars.append((title.text, pieces))
    return bars


def test_every_batch_of_every_step_has_a_bar_and_a_row(plan):
    svg = timeline_picture(plan)
    assert len(_bars(svg)) == len(plan.steps)
    for resource in {step.resource for step in plan.steps}:
        assert (resource.replace("_", " ") if resource else "hands only") in _texts(svg)


def test_later_lies_further_right_and_nothing_leaves_the_picture(plan):
    svg = timeline_picture(plan)
    spans = [
        (min(a for a, _ in pieces.values()), max(b for _, b in pieces.values())) for _, pieces in _bars(svg)
    ]
    ordered = sorted(plan.steps, key=lambda step: (step.start, step.end))
    by_text = dict(zip([text for text, _ in _bars(svg)], spans, strict=True))
    lefts = [
        next(
            span[0]
            for text, span in by_text.items()
            if step.title in text and f"batch {step.batch} of" in text
        )
        for step in ordered
    ]
    assert lefts == sorted(lefts)
    assert min(lefts) >= 0
    assert max(right for _, right in spans) <= 960


def test_the_hands_on_part_is_its_share_of_a_bar_drawn_to_scale(plan):
    # Washing takes 30 min, 25 of them by hand, with nothing folded between.
    pieces = next(pieces for text, pieces in _bars(timeline_picture(plan)) if "Wash" in text)
    whole, hands_on = pieces[ATTENDED], pieces[HANDS_ON]
    # Other steps begin and end within it nowhere, so the share of time is the share of length.
    assert (hands_on[1] - hands_on[0]) / (whole[1] - whole[0]) == pytest.approx(25 / 30, abs=0.01)


def test_unattended_and_attended_work_differ(plan):
    by_title = {
        text.split(",")[0].split(" ", 1)[1]: set(pieces) for text, pieces in _bars(timeline_picture(plan))
    }
    assert by_title["Bake the moulds"] == {UNATTENDED, HANDS_ON}
    assert by_title["Bond to glass"] == {ATTENDED, HANDS_ON}


def test_a_night_is_folded_and_says_how_long_it_is(plan):
    svg = timeline_picture(plan)
    folds = [rect for rect in ElementTree.fromstring(svg).iter(f"{SVG}rect") if rect.get("fill") == FOLD_FILL]
    assert len(folds) > 1  # one is the key
    assert any(text.endswith("\u00a0h") and text[0].isdigit() for text in _texts(svg))


def test_hours_in_which_somebody_is_needed_are_never_folded(plan):
    long_day = replace(
        plan.steps[9], start=plan.steps[0].start, end=plan.steps[0].start + timedelta(hours=8),
        hands_on_min=480.0, unattended=False,
    )  # fmt: skip
    svg = timeline_picture(replace(plan, steps=(long_day,)))
    folds = [rect for rect in ElementTree.fromstring(svg).iter(f"{SVG}rect") if rect.get("fill") == FOLD_FILL]
    assert len(folds) == 1, "only the key shows the fold's colour"


def test_steps_at_the_same_time_on_one_resource_lie_below_each_other(plan):
    twin = replace(plan.steps[0], step="twin", title="Print the lids")
    svg = timeline_picture(replace(plan, steps=(plan.steps[0], twin)))
    tops = {
        rect.get("y")
        for rect in ElementTree.fromstring(svg).iter(f"{SVG}rect")
        if rect.get("fill") == UNATTENDED and rect.get("height") == "18"
    }
    assert len(tops) == 2


def test_the_dates_and_milestones_are_told(plan):
    joined = " ".join(_texts(timeline_picture(plan))).replace("\u00a0", " ")
    assert "Mon 1 Mar" in joined
    assert "finished Thu 4 Mar 2027, 12:00" in joined
    assert "first article Tue 2 Mar 2027, 15:12" in joined


def test_the_key_names_each_step_once_with_its_hands_on_time(plan):
    texts = [text.replace("\u00a0", " ") for text in _texts(timeline_picture(plan))]
    assert texts.count("Mix, degas and pour (2 batches, 1 h 30 min hands-on)") == 1
    assert len({step.step for step in plan.steps}) == sum("hands-on)" in text for text in texts)


@pytest.mark.parametrize("count", [0, 1, 400])
def test_plans_of_any_length_are_drawn(plan, count):
    def later(index: int) -> ScheduledStep:
        shift = timedelta(hours=11 * index)
        pour = plan.steps[4]
        return replace(
            pour, batch=index + 1, of_batches=count, start=pour.start + shift, end=pour.end + shift
        )

    steps = tuple(later(index) for index in range(count))
    root = ElementTree.fromstring(timeline_picture(replace(plan, steps=steps)))
    for rect in root.iter(f"{SVG}rect"):
        assert float(rect.get("width")) >= 0
        assert float(rect.get("x")) + float(rect.get("width")) <= 960.5


def test_a_step_without_length_is_still_to_be_seen(plan):
    instant = replace(plan.steps[0], end=plan.steps[0].start, hands_on_min=0.0)
    ((_, pieces),) = _bars(timeline_picture(replace(plan, steps=(instant,))))
    left, right = pieces[UNATTENDED]
    assert right - left >= 2


def test_every_day_that_has_work_is_named_however_narrow_it_is(plan):
    # Five working days; on all but the first, a few minutes of work stand between two long quiet stretches.
    first = replace(plan.steps[9], end=plan.steps[9].start + timedelta(hours=60), hands_on_min=3600.0)
    visits = [
        replace(
            plan.steps[7], step=f"visit_{days}", start=first.end + timedelta(days=days),
            end=first.end + timedelta(days=days, hours=23), hands_on_min=4.0,
        )
        for days in range(1, 5)
    ]  # fmt: skip
    svg = timeline_picture(replace(plan, steps=(first, *visits)))
    names = [f"{step.start:%a} {step.start.day} {step.start:%b}" for step in (first, *visits)]
    headings = [
        element
        for element in ElementTree.fromstring(svg).iter(f"{SVG}text")
        if (element.text or "").replace("\u00a0", " ") in names
    ]
    assert [heading.text.replace("\u00a0", " ") for heading in headings] == names
    for one in headings:
        for other in headings:
            apart = abs(float(one.get("x")) - float(other.get("x")))
            assert one is other or one.get("y") != other.get("y") or apart > 60, "two names on one another"


def test_a_long_name_of_a_resource_is_not_cut(plan):
    name = "polycarbonate desiccator, 250 mm, with membrane pump"
    texts = _texts(timeline_picture(replace(plan, steps=(replace(plan.steps[0], resource=name),))))
    assert name in " ".join(texts)
