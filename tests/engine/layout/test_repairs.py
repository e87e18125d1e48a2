"""What is mended in a drawing, what that does to it, and what is left because someone meant it."""

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon, box
from shapely.affinity import rotate

from rillcast_service.engine.errors import LayoutInvalid
from rillcast_service.engine.layout.model import RepairKind

OUTLINE = '<g id="outline"><rect width="76" height="26"/></g>'


def bar(x, y, width, height, **properties):
    ring = [[x, y], [x + width, y], [x + width, y + height], [x, y + height], [x, y]]
    return feature([ring], **properties)


def feature(rings, layer="channels", **properties):
    geometry = {"type": "Polygon", "coordinates": rings}
    return {"type": "Feature", "properties": {"layer": layer, **properties}, "geometry": geometry}


def drawn(polygon, layer="channels", **properties):
    rings = [[list(point) for point in ring.coords] for ring in (polygon.exterior, *polygon.interiors)]
    return feature(rings, layer, **properties)


def channels(layout):
    return shapely.union_all([layer.geometry for layer in layout.channel_layers])


def kinds(layout):
    return [repair.kind for repair in layout.repairs]


class TestDuplicates:
    def test_a_shape_drawn_three_times_is_kept_once(self, read_geojson):
        other_corner = [[2, 1], [2, 2], [1, 2], [1, 1], [2, 1]]
        layout = read_geojson([bar(1, 1, 1, 1, name="pad"), feature([other_corner]), bar(1, 1, 1, 1)])
        (repair,) = layout.repairs
        assert repair.kind is RepairKind.DUPLICATE
        assert "(pad) is drawn 3 times" in repair.what
        assert (repair.area_before_mm2, repair.area_after_mm2) == (3.0, 1.0)
        assert box(1, 1, 2, 2).contains(Point(repair.x_mm, repair.y_mm))
        assert channels(layout).equals(box(1, 1, 2, 2))
        assert layout.channel_layers[0].shapes == 3

    def test_switched_off_it_is_an_overlap(self, read_geojson, refusal):
        features = [bar(1, 1, 1, 1), bar(1, 1, 1, 1)]
        assert kinds(read_geojson(features, leave=frozenset({"duplicate"}))) == [RepairKind.OVERLAP]
        leave = frozenset({"duplicate", "overlap"})
        fault = refusal(LayoutInvalid, read_geojson, features, leave=leave)
        assert fault.where == "layer 'channels' at (1.5, 1.5) mm"

    def test_a_port_drawn_twice_is_one_port_with_its_name(self, read_geojson):
        hole = {"type": "Point", "coordinates": [2.0, 0.5]}
        port = {"type": "Feature", "properties": {"layer": "ports", "bore_mm": 0.6}, "geometry": hole}
        named = port | {"properties": port["properties"] | {"name": "waste", "role": "outlet"}}
        layout = read_geojson([bar(0, 0, 9, 1), port, named])
        assert kinds(layout) == [RepairKind.DUPLICATE]
        assert [(port.name, port.role) for port in layout.ports] == [("waste", "outlet")]

    def test_two_ports_of_different_names_at_one_place_are_refused(self, read_geojson, refusal):
        hole = {"type": "Point", "coordinates": [2.0, 0.5]}
        ports = [
            {"type": "Feature", "properties": {"layer": "ports", "bore_mm": 0.6, "name": n}, "geometry": hole}
            for n in ("acid", "base")
        ]
        fault = refusal(LayoutInvalid, read_geojson, [bar(0, 0, 9, 1), *ports])
        assert "'acid' and 'base' overlap" in fault.message


class TestOverlaps:
    def test_one_entry_a_merged_piece(self, read_geojson):
        layout = read_geojson(
            [bar(0, 0, 4, 1), bar(3, 0, 4, 1), bar(5, 0, 1, 5), bar(20, 0, 2, 1), bar(21, 0, 2, 1)]
        )
        assert kinds(layout) == [RepairKind.OVERLAP] * 2
        first, second = sorted(layout.repairs, key=lambda repair: repair.x_mm)
        assert "3 shapes that overlap" in first.what
        assert (first.area_before_mm2, first.area_after_mm2) == (13.0, 11.0)
        assert (second.area_before_mm2, second.area_after_mm2) == (4.0, 3.0)
        # The place is one where shapes lie over each other.
        assert box(21, 0, 22, 1).contains(Point(second.x_mm, second.y_mm))
        assert len(layout.channel_layers[0].geometry.geoms) == 2

    def test_shapes_that_only_touch_are_one_and_no_repair(self, read_geojson):
        layout = read_geojson([bar(0, 0, 4, 1), bar(4, 0, 4, 1)])
        assert layout.repairs == ()
        assert channels(layout).equals(box(0, 0, 8, 1))

    def test_edges_that_meet_at_a_slant_stay_whole(self, read_geojson):
        # A bar at 17° cut in two across: the cut's corners do not lie on the other half to the last digit.
        whole = rotate(box(0, 0, 10, 1), 17, origin=(0, 0))
        halves = [rotate(box(x, 0, x + 5, 1), 17, origin=(0, 0)) for x in (0, 5)]
        third = rotate(box(5, 0.3, 9, 0.7), 17, origin=(0, 0))
        layout = read_geojson([drawn(halves[0]), drawn(third)])
        assert len(layout.channel_layers[0].geometry.geoms) == 1
        layout = read_geojson([drawn(half) for half in halves])
        assert layout.repairs == ()
        assert channels(layout).symmetric_difference(whole).area < 1e-5

    def test_switched_off_it_is_refused_with_the_place(self, read_geojson, refusal):
        features = [bar(0, 0, 4, 1), bar(3, 0, 4, 1)]
        fault = refusal(LayoutInvalid, read_geojson, features, leave=frozenset({"overlap"}))
        assert fault.where == "layer 'channels' at (3.5, 0.5) mm"
        assert "overlap" in fault.remedy

    def test_the_order_of_shapes_does_not_matter(self, read_geojson):
        bars = [bar(x, y, 3.3, 0.7) for x in range(0, 12, 3) for y in range(0, 9, 2)]
        one, other = read_geojson(bars), read_geojson(bars[::-1])
        assert shapely.to_wkb(one.channel_layers[0].geometry) == shapely.to_wkb(
            other.channel_layers[0].geometry
        )

    def test_very_many_repairs_are_summed_up(self, read_geojson):
        bars = [bar(x, y + part / 4, 1, 0.5) for x in range(0, 30, 2) for y in range(10) for part in (0, 1)]
        repairs = read_geojson(bars).repairs
        assert len(repairs) == 101
        assert repairs[-1].what.endswith("and 49 more of this kind, areas summed")
        assert sum(repair.area_before_mm2 for repair in repairs) == pytest.approx(150 * 1.0)
        assert sum(repair.area_after_mm2 for repair in repairs) == pytest.approx(150 * 0.75)


class TestSlivers:
    HAIR = Polygon([(0, 0), (10, 0), (10, 5), (6, 5), (6, 9), (5.9996, 9), (5.9996, 5), (0, 5)])

    @pytest.mark.parametrize("degrees", [0, 31, 90, 200])
    def test_a_hair_is_removed_and_nothing_else(self, read_geojson, degrees):
        layout = read_geojson([drawn(rotate(self.HAIR, degrees, origin=(0, 0)))])
        body = rotate(box(0, 0, 10, 5), degrees, origin=(0, 0))
        (repair,) = layout.repairs
        assert repair.kind is RepairKind.SLIVER
        assert repair.area_before_mm2 - repair.area_after_mm2 == pytest.approx(4 * 4e-4, rel=0.01)
        assert channels(layout).hausdorff_distance(body) < 3e-6
        tip = rotate(Point(6, 9), degrees, origin=(0, 0))
        assert tip.distance(Point(repair.x_mm, repair.y_mm)) < 1e-3

    def test_a_hair_flush_with_a_wall(self, read_geojson):
        flush = Polygon([(0, 0), (10, 0), (10, 9), (9.9996, 9), (9.9996, 5), (0, 5)])
        layout = read_geojson([drawn(flush)])
        assert kinds(layout) == [RepairKind.SLIVER]
        assert channels(layout).equals(box(0, 0, 10, 5))

    def test_a_hair_that_ends_in_a_point(self, read_geojson):
        spike = Polygon([(0, 0), (10, 0), (10, 5), (6, 5), (5.9998, 9), (5.9996, 5), (0, 5)])
        assert channels(read_geojson([drawn(spike)])).equals(box(0, 0, 10, 5))

    def test_a_hair_in_a_hole(self, read_geojson):
        hole = Polygon([(2, 2), (8, 2), (8, 4), (2, 4), (2, 3.0005), (4, 3.0005), (4, 3), (2, 3)])
        layout = read_geojson([drawn(box(0, 0, 10, 5).difference(hole))])
        assert channels(layout).equals(box(0, 0, 10, 5).difference(box(2, 2, 8, 4)))

    def test_a_shred_is_removed(self, read_geojson):
        layout = read_geojson([bar(0, 0, 9, 1), bar(0, 3, 9, 0.0005)])
        (repair,) = layout.repairs
        assert repair.kind is RepairKind.SLIVER
        assert (repair.area_before_mm2, repair.area_after_mm2) == (pytest.approx(0.0045), 0.0)
        assert channels(layout).equals(box(0, 0, 9, 1))

    @pytest.mark.parametrize(
        "meant",
        [
            Polygon([(0, 0), (10, 0.1), (0, 0.2)]),  # a sharp corner
            Polygon([(0, 0), (10, 0.1), (10, 0.1004), (0, 0.2)]),  # the same, cut off
            box(0, 0, 10, 1).union(box(10, 0.5, 20, 0.502)).union(box(20, 0, 30, 1)),  # a neck of 2 µm
            box(0, 0, 10, 1).union(box(10, 0.5, 20, 0.5005)).union(box(20, 0, 30, 1)),  # one of 0.5 µm
            Point(5, 5).buffer(0.003),  # a dot
        ],
    )
    def test_what_is_thin_and_meant_stays(self, read_geojson, meant):
        layout = read_geojson([drawn(meant)])
        assert layout.repairs == ()
        assert channels(layout).hausdorff_distance(meant) < 1e-6

    def test_switched_off_it_stays(self, read_geojson):
        layout = read_geojson([drawn(self.HAIR)], leave=frozenset({"sliver"}))
        assert layout.repairs == ()
        assert channels(layout).equals(self.HAIR)


class TestGaps:
    def test_an_end_that_misses_a_chamber(self, read_geojson):
        layout = read_geojson([bar(0, 0, 10, 0.2), bar(10.004, -2, 4, 4)])
        (repair,) = layout.repairs
        assert repair.kind is RepairKind.GAP
        assert "4 µm apart" in repair.what
        assert repair.area_after_mm2 - repair.area_before_mm2 == pytest.approx(0.2 * 0.004, rel=0.01)
        assert (repair.x_mm, repair.y_mm) == pytest.approx((10.002, 0.1), abs=0.1)
        whole = box(0, 0, 10, 0.2).union(box(10.004, -2, 14.004, 2)).union(box(10, 0, 10.004, 0.2))
        assert channels(layout).hausdorff_distance(whole) < 5e-6
        assert len(layout.channel_layers[0].geometry.geoms) == 1

    @pytest.mark.parametrize("degrees", [12, 45, 170])
    def test_at_any_angle(self, read_geojson, degrees):
        bars = [box(0, 0, 10, 0.2), box(10.003, -2, 14, 2)]
        layout = read_geojson([drawn(rotate(one, degrees, origin=(0, 0))) for one in bars])
        assert kinds(layout) == [RepairKind.GAP]
        assert len(layout.channel_layers[0].geometry.geoms) == 1

    def test_a_rung_of_which_the_other_end_is_joined(self, read_geojson):
        ladder = [bar(0, 0, 10, 0.2), bar(0, 5, 10, 0.2), bar(0, 0, 0.2, 5.2), bar(6, 0.2, 0.2, 4.797)]
        layout = read_geojson(ladder)
        assert kinds(layout) == [RepairKind.OVERLAP, RepairKind.GAP]
        (piece,) = layout.channel_layers[0].geometry.geoms
        assert len(piece.interiors) == 1

    def test_a_round_end(self, read_svg):
        line = '<path d="M5 5H15" stroke-width=".2" stroke="red" fill="none" stroke-linecap="round"/>'
        chamber = '<rect x="15.102" y="3" width="4" height="4"/>'
        layout = read_svg(f'<g id="channels">{line}{chamber}</g>')
        assert kinds(layout) == [RepairKind.GAP]
        assert len(layout.channel_layers[0].geometry.geoms) == 1

    def test_layers_of_one_plane(self, read_geojson):
        shallow = bar(0, 0, 10, 0.2, layer="channels_shallow", depth_um=50)
        deep = bar(10.003, -2, 4, 4, layer="channels_deep", depth_um=200)
        layout = read_geojson([shallow, deep])
        assert [repair.layer for repair in layout.repairs] == ["channels_shallow"]
        assert len(shapely.get_parts(channels(layout))) == 1
        apart = read_geojson([shallow, deep], levels={"channels_deep": 2})
        assert apart.repairs == ()

    def test_a_port_that_misses_its_channel(self, read_geojson):
        port = drawn(box(10.003, -0.4, 11, 0.6), layer="ports", name="in")
        layout = read_geojson([bar(0, 0, 10, 0.2), port])
        assert kinds(layout) == [RepairKind.GAP]
        assert "a port and its channel" in layout.repairs[0].what
        assert channels(layout).intersection(layout.ports[0].opening).area > 0.2 * 0.004
        assert channels(layout).bounds[2] < 10.02

    def test_a_seam_within_a_channel(self, read_geojson):
        slit = Polygon([(2, 0.5), (8, 0.502), (8, 0.503), (2, 0.501)])
        layout = read_geojson([drawn(box(0, 0, 10, 1).difference(slit))])
        assert kinds(layout) == [RepairKind.GAP]
        assert channels(layout).equals(box(0, 0, 10, 1))

    @pytest.mark.parametrize(
        "features",
        [
            # Two channels that run along each other, with a thin wall between.
            [bar(0, 0, 10, 0.2), bar(0, 0.204, 10, 0.2)],
            # Further apart than the tolerance.
            [bar(0, 0, 10, 0.2), bar(10.006, -2, 4, 4)],
            # Past each other, corner to corner.
            [bar(0, 0, 10, 0.2), bar(0, 4, 10, 0.2)],
            # A pillar of 4 µm.
            [drawn(box(0, 0, 10, 1).difference(Point(5, 0.5).buffer(0.002)))],
        ],
    )
    def test_what_was_meant_stays(self, read_geojson, features):
        layout = read_geojson(features)
        assert layout.repairs == ()
        assert channels(layout).area == pytest.approx(
            sum(
                Polygon(f["geometry"]["coordinates"][0], f["geometry"]["coordinates"][1:]).area
                for f in features
            )
        )

    def test_the_corner_between_branches_is_no_gap(self, read_geojson):
        # Two branches that leave a chamber at 5° to each other.
        branches = [rotate(box(0, -0.1, 10, 0.1), degrees, origin=(0, 0)) for degrees in (0, 5)]
        fan = [drawn(branch) for branch in branches] + [bar(-2, -1, 3.0, 2)]
        layout = read_geojson(fan)
        assert kinds(layout) == [RepairKind.OVERLAP]
        whole = shapely.union_all([*branches, box(-2, -1, 1, 1)])
        assert channels(layout).symmetric_difference(whole).area < 1e-5

    def test_a_drawing_cut_into_thin_strips_is_no_drawing_of_gaps(self, read_geojson):
        strips = [bar(i * 0.003, 0, 0.003, 5) for i in range(300)]
        layout = read_geojson(strips)
        assert layout.repairs == ()
        assert channels(layout).equals(box(0, 0, 0.9, 5))

    def test_a_pattern_of_gaps_is_left_and_told(self, read_geojson):
        layout = read_geojson([bar(0.054 * i, 0.054 * j, 0.05, 0.05) for i in range(20) for j in range(20)])
        assert layout.repairs == ()
        assert len(layout.channel_layers[0].geometry.geoms) == 400
        assert [assumption.what for assumption in layout.assumptions if assumption.what == "gaps"] == ["gaps"]

    def test_switched_off_they_stay(self, read_geojson):
        layout = read_geojson([bar(0, 0, 10, 0.2), bar(10.004, -2, 4, 4)], leave=frozenset({"gap"}))
        assert layout.repairs == ()
        assert len(layout.channel_layers[0].geometry.geoms) == 2


def places(layout):
    return {port.name: (round(port.centre.x, 3), round(port.centre.y, 3)) for port in layout.ports}


class TestTurnedLayers:
    CHANNELS = '<g id="channels"><path d="M5 5H30V20" fill="none" stroke="red" stroke-width=".4"/></g>'

    @pytest.mark.parametrize(
        ("transform", "says"),
        [
            ("translate(76 0) scale(-1 1)", "mirrored left to right"),
            ("translate(0 26) scale(1 -1)", "mirrored top to bottom"),
            ("translate(76 26) scale(-1 -1)", "turned by 180°"),
        ],
    )
    def test_ports_drawn_the_wrong_way_round(self, read_svg, transform, says):
        holes = '<circle id="a" cx="5" cy="5" r=".5"/><circle id="b" cx="30" cy="20" r=".5"/>'
        ports = f'<g id="ports" transform="{transform}">{holes}</g>'
        layout = read_svg(OUTLINE + self.CHANNELS + ports)
        assert kinds(layout) == [RepairKind.TURNED_LAYER]
        assert layout.repairs[0].layer == "ports"
        assert says in layout.repairs[0].what
        assert places(layout) == {"a": (5, 21), "b": (30, 6)}
        left = read_svg(OUTLINE + self.CHANNELS + ports, leave=frozenset({"turned_layer"}))
        assert left.repairs == ()
        assert places(left) != {"a": (5, 21), "b": (30, 6)}

    def test_channels_that_lie_off_the_chip(self, read_svg):
        # Drawn for a sheet on end, so they leave the chip; the ports lie right.
        turned = self.CHANNELS.replace('id="channels"', 'id="channels" transform="rotate(90 38 13)"')
        ports = (
            '<g id="ports"><circle id="a" cx="5" cy="5" r=".5"/><circle id="b" cx="30" cy="20" r=".5"/></g>'
        )
        layout = read_svg(OUTLINE + turned + ports)
        assert [(repair.kind, repair.layer) for repair in layout.repairs] == [
            (RepairKind.TURNED_LAYER, "channels")
        ]
        assert channels(layout).equals(channels(read_svg(OUTLINE + self.CHANNELS + ports)))

    def test_nothing_is_done_when_several_ways_fit(self, read_svg):
        cross = '<path d="M5 13H71M38 2V24" fill="none" stroke="red" stroke-width=".4"/>'
        holes = '<circle cx="20" cy="5" r=".5"/><circle cx="56" cy="21" r=".5"/>'
        ring = '<path d="M20 21H56V5" fill="none" stroke="red" stroke-width=".4"/>'
        both = '<path d="M20 21V20M56 5V6" fill="none" stroke="red" stroke-width=".4"/>'
        for shapes in (cross, both + ring.replace("H56V5", "H21")):
            layout = read_svg(f'{OUTLINE}<g id="channels">{shapes}</g><g id="ports">{holes}</g>')
            assert RepairKind.TURNED_LAYER not in kinds(layout)

    def test_one_stray_port_turns_no_layer(self, read_svg):
        holes = "".join(f'<circle cx="{x}" cy="{y}" r=".5"/>' for x, y in ((5, 5), (30, 20), (60, 5)))
        layout = read_svg(f'{OUTLINE}{self.CHANNELS}<g id="ports">{holes}</g>')
        assert layout.repairs == ()


class TestTilt:
    BODY = (
        '<g transform="rotate({} 38 13)"><g id="outline">'
        '<rect x="5" y="3" width="60" height="20" rx="1"/></g>'
        '<g id="channels"><path d="M10 10H50V18" fill="none" stroke="red" stroke-width=".3"/></g>'
        '<g id="ports"><circle id="a" cx="10" cy="10" r=".5"/></g></g>'
    )

    @pytest.mark.parametrize("degrees", [-1.5, 0.01, 0.7])
    def test_the_whole_drawing_is_straightened(self, read_svg, degrees):
        layout = read_svg(self.BODY.format(degrees))
        (repair,) = layout.repairs
        assert (repair.kind, repair.layer) == (RepairKind.TILT, "outline")
        assert f"{abs(degrees):g}°" in repair.what
        assert repair.area_before_mm2 == repair.area_after_mm2 == pytest.approx(1200 - 4 + np.pi, rel=1e-3)
        x_min, y_min, x_max, y_max = layout.outline.bounds
        assert (x_max - x_min, y_max - y_min) == pytest.approx((60, 20), abs=2e-3)
        straight = read_svg(self.BODY.format(0))
        assert straight.repairs == ()
        moved = layout.outline.centroid
        at = straight.outline.centroid
        back = shapely.affinity.translate(channels(layout), at.x - moved.x, at.y - moved.y)
        assert back.hausdorff_distance(channels(straight)) < 2e-3

    @pytest.mark.parametrize("degrees", [0, 2.5, 45, 90])
    def test_a_drawing_that_was_meant_so_is_left(self, read_svg, degrees):
        assert read_svg(self.BODY.format(degrees)).repairs == ()

    def test_channels_along_the_axes_hold_the_drawing(self, read_svg):
        outline = '<g id="outline"><rect x="5" y="3" width="60" height="20" transform="rotate(1 38 13)"/></g>'
        channel = '<g id="channels"><path d="M10 10H50V18" fill="none" stroke="red" stroke-width=".3"/></g>'
        assert read_svg(outline + channel).repairs == ()

    def test_an_outline_that_is_no_rectangle(self, read_svg):
        disc = '<g id="outline"><circle cx="38" cy="13" r="12"/></g>'
        channel = '<g id="channels"><path d="M30 10L46 10.2" fill="none" stroke="red" stroke-width=".3"/></g>'
        assert read_svg(disc + channel).repairs == ()

    def test_switched_off_it_stays(self, read_svg):
        layout = read_svg(self.BODY.format(1), leave=frozenset({"tilt"}))
        assert layout.repairs == ()
        assert layout.outline.bounds[3] - layout.outline.bounds[1] > 20.5


class TestSelfCrossings:
    def test_switched_off_they_are_refused_with_the_place(self, read_geojson, refusal):
        tie = feature([[[0, 0], [4, 2], [4, 0], [0, 2], [0, 0]]], name="tie")
        layout = read_geojson([tie])
        (repair,) = layout.repairs
        assert repair.kind is RepairKind.SELF_CROSSING
        assert (repair.area_before_mm2, repair.area_after_mm2) == pytest.approx((0.0, 4.0))
        fault = refusal(LayoutInvalid, read_geojson, [tie], leave=frozenset({"self_crossing"}))
        assert "(tie)" in fault.message
        assert fault.where.startswith("layer 'channels' at (")
