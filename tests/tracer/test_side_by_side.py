"""Sheets of sizes drawn into each other are told by their lines before their pieces are (invented shapes)."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from tracer.search import choose, find
from tracer.search.graph import build_graph, thin
from tracer.search.pieces import Found, Stretch
from tracer.search.raster import apart
from tracer.search.side_by_side import seem_nested

MM_PER_PX = 0.2


def sheet(rings_mm):
    mask = np.zeros((900, 1300), np.uint8)
    for ring in rings_mm:
        cv2.polylines(mask, [np.rint(np.array(ring) / MM_PER_PX).astype(np.int32)], True, 255, 2)
    return build_graph(thin(mask)).edges


def box(x, y, wide, high, out=0.0):
    return [(x - out, y - out), (x + wide + out, y - out), (x + wide + out, y + high + out), (x - out, y + high + out)]


def test_sizes_drawn_into_each_other_seem_so():
    assert seem_nested(sheet([box(60, 50, 120, 70, 5.0 * k) for k in range(4)]), MM_PER_PX)


def test_pieces_with_their_stitching_lines_do_not():
    lines = [box(x, y, 60, 50, out) for x in (30, 160) for y in (25, 105) for out in (0.0, 6.0)]
    assert not seem_nested(sheet(lines), MM_PER_PX)


def test_a_sheet_without_lines_does_not():
    assert not seem_nested([], MM_PER_PX)


def test_parts_between_bare_rows_are_the_same_as_all_at_once():
    mask = np.zeros((400, 300), np.uint8)
    for x, y, radius in ((40, 30, 9), (200, 34, 6), (120, 250, 14), (30, 380, 12)):
        cv2.circle(mask, (x, y), radius, 255, -1)
    labels, stats = apart(mask)
    _, whole, known, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    assert sorted(map(tuple, stats)) == sorted(map(tuple, known))
    for k, (x, y, wide, high, area) in enumerate(stats[1:], 1):
        own = labels == k
        assert own.sum() == area
        assert len(np.unique(whole[own])) == 1
        assert own[y : y + high, x : x + wide].sum() == area


@pytest.mark.parametrize("bundled", [True, False])
@pytest.mark.parametrize("told", [True, False])
def test_lines_read_for_sizes_are_kept_only_where_sizes_are_told(monkeypatch, bundled, told):
    def work(as_bundled):
        return SimpleNamespace(bundled=as_bundled)

    monkeypatch.setattr(find, "are_nested", lambda *_: True)
    monkeypatch.setattr(find, "find_pieces", lambda work, _: ([f"read {work.bundled}"], {}))
    monkeypatch.setattr(find, "choose_sizes", lambda work, drawn, *_: (drawn, [7 if told and work.bundled else 1]))
    look = SimpleNamespace(work=work(bundled), read=work)
    out, drawn, _, counts = find._of_one_size(look, [], ["first"], {}, None)
    assert out.bundled == told
    assert drawn == ["first" if bundled == told else f"read {told}"]
    assert counts == [7 if told else 1]


@pytest.mark.parametrize("wholly", [(5, 7), (7, 5)])
def test_lines_of_a_piece_that_make_two_loops_are_one_piece(monkeypatch, wholly):
    # What hangs together of the lines of a coloured front was two loops, each with all of its sizes.
    def size(k, x, side, loop):
        """One of the sizes that lie on a fold edge at ``x`` and grow to the right, up and down."""
        along = np.linspace(0.0, 1.0, 50, endpoint=False)[:, None]
        corners = np.array([(x, 100.0 - k), (x + side + 8 * k, 100.0 - 8 * k), (x + side, 300 + 8 * k), (x, 300.0 + k)])
        ring = np.concatenate([a + along * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
        stretch = Stretch(points=ring, edge=0, given_back=False)
        return Found(stretches=(stretch,), block=(0,), loop=loop, area=(side + 4 * k) * (200.0 + 8 * k), mass=2.0)

    families = {
        0: {k: size(k, 50.0, 200.0, 0) for k in range(1, wholly[0] + 1)},
        1: {k: size(k, 50.0, 200.0, 1) for k in range(1, wholly[1] + 1)},
        2: {k: size(k, 600.0, 180.0, 2) for k in range(1, 8)},
    }
    graph = SimpleNamespace(edges=[])
    work = SimpleNamespace(graph=graph, loops=[0, 1, 2], ink=SimpleNamespace(mm_per_px=0.2))
    monkeypatch.setattr(choose, "is_bundle", lambda work, loop: True)
    monkeypatch.setattr(choose, "_read", lambda work, bundles, mass: {i: ([], None) for i in bundles})
    monkeypatch.setattr(choose, "_family", lambda work, index, lines, strokes: families[index])
    monkeypatch.setattr(choose, "_without_links", lambda work, first, found: found)
    found, counts = choose.choose_sizes(work, [f[max(f)] for f in families.values()], (), 2)
    assert counts == [7, 7]
    assert [f.points[:, 0].min() for f in found] == [50.0, 600.0]
