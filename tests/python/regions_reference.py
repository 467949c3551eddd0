"""Compares regions that the kernel made with GEOS (through shapely), an independent polygon library.

Reads JSON lines from standard input: {"id", "rings": [[[x, y], ...], ...], "by": mm, "result": [[ring, ...], ...], "of": "offset" |
"opening" | "gouge", ...} and prints one JSON line a case with the figures. GEOS is not taken as truth for far offsets (its buffer
simplifies its input); here |by| stays below 7 mm and the input is buffered with fine quadrants.
"""
import json
import sys

import shapely
from shapely.geometry import LineString, MultiPolygon, Point, Polygon

QUADRANTS = 256


def area_of(shapes):
    """Union of shapes, each a list of rings: outer first, then holes."""
    parts = [Polygon(rings[0], rings[1:]) for rings in shapes if rings and len(rings[0]) >= 3]
    return shapely.unary_union([p if p.is_valid else p.buffer(0) for p in parts]) if parts else MultiPolygon()


def buffered(shape, by):
    return shape.buffer(by, quad_segs=QUADRANTS, join_style="round")


for line in sys.stdin:
    case = json.loads(line)
    shape = area_of([case["rings"]])
    out = {"id": case["id"]}
    if case["of"] == "gouge":
        # How far discs that are swept along each path reach into the shape: the depth of the overlap, by distance of the path.
        boundary = shape.boundary
        worst = 0.0
        for path in case["paths"]:
            run = LineString(path) if len(path) > 1 else Point(path[0])
            if shape.intersects(run):
                inside = max((boundary.distance(Point(p)) for p in path if shape.contains(Point(p))), default=0.0)
                depth = case["radius"] + inside
            else:
                depth = case["radius"] - boundary.distance(run)
            worst = max(worst, depth)
        out["gouge"] = worst
    else:
        by = case["by"]
        want = buffered(buffered(shape, -by), by) if case["of"] == "opening" else buffered(shape, by)
        have = area_of(case["result"])
        difference = want.symmetric_difference(have).area
        length = max(want.length, have.length, 1.0)
        out["difference_um"] = 1000.0 * difference / length
        out["want_area"] = want.area
        out["have_area"] = have.area
    print(json.dumps(out), flush=True)
