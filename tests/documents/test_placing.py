"""Labels keep out of each other's way, inside the picture, and off the drawing where they can."""

from __future__ import annotations

from shapely import Polygon, box

from rillcast_service.documents.placing import Placer


def _boxes(placer: Placer, anchors, width=23.0, height=23.0):
    places = [placer.place(x, y, width, height) for x, y in anchors]
    return [box(x - width / 2, y - height / 2, x + width / 2, y + height / 2) for x, y in places]


def test_many_labels_on_one_spot_do_not_overlap():
    boxes = _boxes(Placer(960, 400, Polygon()), [(480, 200)] * 30)
    for index, one in enumerate(boxes):
        assert all(one.intersection(other).area == 0 for other in boxes[:index])


def test_labels_stay_inside_the_picture():
    for shape in _boxes(Placer(300, 200, Polygon()), [(1, 1), (299, 199), (150, 1)]):
        assert box(0, 0, 300, 200).contains(shape)


def test_a_label_leaves_the_drawing_free_when_there_is_room_near():
    drawing = box(100, 100, 140, 140)
    (label,) = _boxes(Placer(960, 400, drawing), [(120, 120)])
    assert not label.intersects(drawing)


def test_a_label_rather_covers_the_drawing_than_go_far_away():
    drawing = box(0, 0, 960, 400)
    (label,) = _boxes(Placer(960, 400, drawing), [(480, 200)])
    assert label.centroid.distance(box(480, 200, 480, 200).centroid) < 30


def test_a_full_picture_still_gives_a_place():
    placer = Placer(40, 40, Polygon())
    placer.take(20, 20, 40, 40)
    assert placer.place(20, 20, 23, 23) == (20, 20)


def test_the_same_labels_get_the_same_places():
    anchors = [(100 + 3 * index, 100) for index in range(12)]
    first, second = (
        [Placer(960, 400, box(90, 90, 140, 110)).place(x, y, 23, 23) for x, y in anchors] for _ in range(2)
    )
    assert first == second


def test_when_nothing_near_is_free_the_next_room_is_taken():
    placer = Placer(960, 400, Polygon())
    placer.take(200, 200, 390, 380)
    x, y = placer.place(200, 200, 23, 23)
    assert 397 + 11.5 < x < 430
    assert abs(y - 200) < 10
