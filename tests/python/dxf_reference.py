"""Writes DXF files of every entity and version that grainway reads, and prints what ezdxf says lies in them.

usage: dxf_reference.py FOLDER

ezdxf (https://ezdxf.mozman.at, MIT) is the reference: it reads each file back, dissolves the insertions, and flattens what is left.
Printed is one JSON object: "cases" lists the files, each with the index of its content in "contents", which are
{layer: {"length", "area", "lines": [[[x, y], ...], ...]}}; area is the sum over closed curves, absolute. Every drawing has a frame on the
layer "frame", and every other entity a layer of its own.
"""

import json
import math
import logging
import random
import sys
from pathlib import Path

import ezdxf
from ezdxf import disassemble

FLATTENED = 0.004
# R12 files cannot say their unit, which ezdxf would warn of at each.
logging.getLogger("ezdxf").setLevel(logging.ERROR)
VERSIONS = ["R12", "R2000", "R2004", "R2007", "R2010", "R2013", "R2018"]
DOWN = (0, 0, -1)


class Drawing:
    """A document in which every entity gets a layer of its own."""

    def __init__(self, version):
        self.doc = ezdxf.new(version)
        self.doc.header["$INSUNITS"] = 4
        self.model = self.doc.modelspace()
        self.modern = version != "R12"
        self.count = 0
        frame = [(-600, -600), (600, -600), (600, 600), (-600, 600)]
        self.model.add_polyline2d(frame, close=True, dxfattribs={"layer": "frame"})

    def layer(self, **more):
        self.count += 1
        name = f"e{self.count}"
        self.doc.layers.add(name)
        return {"layer": name, **more}


def simple(d):
    m = d.model
    m.add_line((-10, 5), (40, 25.5), dxfattribs=d.layer())
    m.add_line((1, 2, 7), (30, -4, 7), dxfattribs=d.layer())
    m.add_circle((100, 40), 16.771 / 2, dxfattribs=d.layer())
    m.add_circle((100, 40), 12, dxfattribs=d.layer(extrusion=DOWN))
    for start, end in [(0, 90), (300, 40), (90, 0), (12.5, 355.25), (-30, 45), (180, 525)]:
        m.add_arc((20, -30), 33.3, start, end, dxfattribs=d.layer())
        m.add_arc((20, -30), 21.5, start, end, dxfattribs=d.layer(extrusion=DOWN))


def polylines(d):
    m = d.model
    corner = math.tan(math.radians(22.5))
    rounded = [(10, 0, 0), (90, 0, corner), (100, 10, 0), (100, 40, corner), (90, 50, 0), (10, 50, corner), (0, 40, 0), (0, 10, corner)]
    bulged = [(0, 0, 1), (20, 0, -0.414213562), (30, 0, 0.2), (55, 10, 0), (60, -20, 2.5), (70, -25, 0)]
    ring = [(-100, 0, 1), (-80, 0, 1)]
    for points, closed in [(rounded, True), (bulged, False), (bulged, True), (ring, True)]:
        m.add_polyline2d(points, format="xyb", close=closed, dxfattribs=d.layer())
        m.add_polyline2d(points, format="xyb", close=closed, dxfattribs=d.layer(extrusion=DOWN))
        if d.modern:
            m.add_lwpolyline(points, format="xyb", close=closed, dxfattribs=d.layer())
            m.add_lwpolyline(points, format="xyb", close=closed, dxfattribs=d.layer(extrusion=DOWN, elevation=3))


def curves(d):
    if not d.modern:
        return
    m = d.model
    for ratio, start, end in [(0.5, 0, math.tau), (0.02, 0, math.tau), (1.0, 0, math.tau), (0.3, 0.4, 2.9), (0.7, 5.0, 1.0)]:
        m.add_ellipse((30, 20), (60, 25), ratio, start, end, dxfattribs=d.layer())
        m.add_ellipse((30, 20), (60, 25), ratio, start, end, dxfattribs=d.layer(extrusion=DOWN))
    r = random.Random(20261125)

    def points(n):
        return [(r.uniform(-300, 300), r.uniform(-300, 300), 0.0) for _ in range(n)]

    for degree, n in [(2, 3), (3, 4), (3, 9), (4, 8), (5, 12)]:
        m.add_open_spline(points(n), degree=degree, dxfattribs=d.layer())
        m.add_spline(dxfattribs=d.layer()).set_closed(points(n + 1), degree)
        m.add_rational_spline(points(n), [r.uniform(0.3, 4) for _ in range(n)], degree=degree, dxfattribs=d.layer())
        weights = [r.uniform(0.5, 2) for _ in range(n + 1)]
        m.add_spline(dxfattribs=d.layer()).set_closed_rational(points(n + 1), weights, degree)
    # Inner knots of full multiplicity: a kink that belongs to the curve.
    kinked = m.add_open_spline(points(7), degree=3, dxfattribs=d.layer())
    kinked.knots = [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 2]
    h = math.sqrt(0.5)
    circle = m.add_spline(degree=2, dxfattribs=d.layer())
    circle.control_points = [(40 * x, 40 * y) for x, y in [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0)]]
    circle.weights = [1, h, 1, h, 1, h, 1, h, 1]
    circle.knots = [0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4]


def insertions(d):
    block = d.doc.blocks.new("hinge", base_point=(5, 3))
    block.add_line((0, 0), (20, 8), dxfattribs=d.layer())
    block.add_circle((12, 4), 5, dxfattribs=d.layer())
    block.add_arc((0, 0), 15, 20, 110, dxfattribs=d.layer())
    block.add_arc((3, 0), 9, 200, 310, dxfattribs=d.layer(extrusion=DOWN))
    block.add_polyline2d([(0, 0, 0.5), (10, 0, -0.3), (14, 9, 0)], format="xyb", close=True, dxfattribs=d.layer())
    if d.modern:
        block.add_ellipse((4, 4), (8, 2), 0.4, dxfattribs=d.layer())
        block.add_open_spline([(0, 0), (10, 20), (20, -20), (30, 5)], dxfattribs=d.layer())
    pair = d.doc.blocks.new("pair", base_point=(-2, 1))
    pair.add_blockref("hinge", (10, 0), dxfattribs={"xscale": -1, "rotation": 30})
    pair.add_blockref("hinge", (0, 40), dxfattribs={"xscale": 1.5, "yscale": 1.5, "zscale": 1.5})
    m = d.model
    places = [
        ("hinge", (100, 50), {}),
        ("hinge", (-100, 50), {"rotation": 33.3}),
        ("hinge", (200, -50), {"xscale": -2, "yscale": 2, "zscale": 2, "rotation": -71}),
        ("hinge", (-200, -150), {"xscale": 2, "yscale": 0.7, "rotation": 15}),
        ("hinge", (250, 250), {"extrusion": DOWN, "rotation": 20}),
        ("hinge", (-50, -300), {"column_count": 3, "row_count": 2, "column_spacing": 60, "row_spacing": -45, "rotation": 10, "xscale": 1.2, "yscale": 1.2, "zscale": 1.2}),
        ("pair", (300, 0), {"rotation": 45}),
        ("pair", (-300, 200), {"yscale": -1}),
        # A turned insertion inside a stretched one is sheared, which ezdxf cannot hold in an INSERT; that case is a unit test.
        ("pair", (0, 350), {"xscale": 1.3, "yscale": 1.3, "zscale": 1.3, "extrusion": DOWN}),
    ]
    for name, at, more in places:
        m.add_blockref(name, at, dxfattribs=more)


def spline(curve):
    """Points over the curve's domain, from knot p to knot n; ezdxf flattens unclamped splines beyond it."""
    knots, p, n = curve.knots(), curve.degree, len(curve.control_points)

    def between(a, b, pa, pb):
        middle = (a + b) / 2
        pm = curve.point(middle)
        if pm.distance(pa.lerp(pb, 0.5)) <= FLATTENED:
            return [pb]
        return between(a, middle, pa, pm) + between(middle, b, pm, pb)

    places = sorted({t for t in knots[p : n + 1]})
    steps = [a + (b - a) * i / 7 for a, b in zip(places, places[1:]) for i in range(7)] + [places[-1]]
    points = [curve.point(steps[0])]
    for a, b in zip(steps, steps[1:]):
        points += between(a, b, points[-1], curve.point(b))
    return points


def flattened(e):
    """Points of an entity by ezdxf's own exact curves; its paths turn ellipses into cubic curves that are 0.02 mm off."""
    kind = e.dxftype()
    if kind == "LINE":
        points = [e.dxf.start, e.dxf.end]
    elif kind == "SPLINE":
        points = spline(e.construction_tool())
    elif kind in ("CIRCLE", "ARC", "ELLIPSE"):
        points = e.flattening(FLATTENED)
    else:
        return joined([line for piece in e.virtual_entities() for line in flattened(piece)])
    return [[(v[0], v[1]) for v in points]]


def joined(lines):
    """Polylines with bulges come apart into lines and arcs; here they are put together again."""
    done, rest = [], list(lines)
    while rest:
        line = rest.pop(0)
        for turned in (False, True):
            if turned:
                line = line[::-1]
            grown = True
            while grown and math.dist(line[0], line[-1]) > 1e-6:
                grown = False
                for i, other in enumerate(rest):
                    ways = [way for way in (other, other[::-1]) if math.dist(line[-1], way[0]) < 1e-6]
                    if ways and math.dist(other[0], other[-1]) > 1e-6:
                        line = line + ways[0][1:]
                        del rest[i]
                        grown = True
                        break
        done.append(line)
    return done


def reference(path):
    """What ezdxf reads from the file: by layer, flattened."""
    layers = {}
    doc = ezdxf.readfile(path)
    for e in disassemble.recursive_decompose(doc.modelspace()):
        entry = layers.setdefault(e.dxf.layer, {"length": 0.0, "lines": []})
        for line in flattened(e):
            entry["length"] += sum(math.dist(a, b) for a, b in zip(line, line[1:]))
            entry["lines"].append(line)
    for entry in layers.values():
        entry["lines"] = joined(entry["lines"])
        closed = [line for line in entry["lines"] if math.dist(line[0], line[-1]) < 1e-6]
        entry["area"] = sum(abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(line, line[1:]))) / 2 for line in closed)
        entry["lines"] = [[[round(x, 6), round(y, 6)] for x, y in line] for line in entry["lines"]]
    return layers


def main():
    folder = Path(sys.argv[1])
    cases, contents = [], []
    for version in VERSIONS:
        for content in [simple, polylines, curves, insertions]:
            drawing = Drawing(version)
            content(drawing)
            if drawing.count == 0:
                continue
            for binary in [False, True]:
                path = folder / f"{version}-{content.__name__}{'-binary' if binary else ''}.dxf"
                drawing.doc.saveas(path, fmt="bin" if binary else "asc")
                layers = reference(path)
                if layers not in contents:
                    contents.append(layers)
                cases.append({"file": path.name, "version": version, "binary": binary, "content": contents.index(layers)})
    json.dump({"ezdxf": ezdxf.__version__, "contents": contents, "cases": cases}, sys.stdout)


main()
